"""The motors of a craft spun by hand, side by side: does one drag?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr, stdtrit

from vibekit.handspin import FLICK_SCATTER, FLICKS, WORTH
from vibekit.reading import Quantity, Reading
from vibekit.wording import listed

Array = npt.NDArray[np.float64]
MOTOR_SPREAD = 0.05  # of the drag of good motors of one kind about each other (common practice, no source)
MOTORS_WORTH = 10.0  # motors that this prior counts for
ALARM = 0.01  # chance that a craft of good motors has one named
LEAST_RATIO = 1.15  # times the others' drag, below which nothing is named however sure it is


@dataclass(frozen=True, slots=True)
class Coasting:
    """One motor against the others.

    seconds, u95: coast time over its flicks; flicks: how many; ratio: its drag over the middle of the others', with its 95 % interval
    chance: that a good motor coasts this much shorter than the others by accident; clicks: a turn, None where not heard
    """

    position: str
    seconds: float
    u95: float
    flicks: int
    ratio: float
    ratio_low: float
    ratio_high: float
    chance: float
    clicks: Quantity | None


@dataclass(frozen=True, slots=True)
class SpinComparison:
    """Motors in the order given; repeat: scatter of one flick about its motor's mean, share, learned from all of them.

    silent: motors that were spun but have no coast time
    """

    motors: tuple[Coasting, ...]
    repeat: float
    silent: tuple[str, ...] = ()

    @property
    def dragging(self) -> tuple[Coasting, ...]:
        """Motors that drag: a craft of good motors has one named with a chance of ALARM."""
        return tuple(m for m in self.motors if m.chance * len(self.motors) < ALARM and m.ratio > LEAST_RATIO)


def compare_spins(motors: Mapping[str, Sequence[Reading]]) -> SpinComparison | None:
    """Compare what was measured by hand on two or more motors; None where fewer have a coast time.

    motors: position -> its readings, of which those of the test hand-spin count, one flick or several in each
    """
    flicks, clicks, silent = {}, {}, []
    for position, readings in motors.items():
        spun = [r for r in readings if r.settings.test == "hand-spin"]
        curves = [curve for r in spun if (curve := r.curve(FLICKS)) is not None]
        if curves:
            flicks[position] = [float(y) for curve in curves for y in curve.y]
            clicks[position] = max((q for r in spun if (q := r.quantity("clicks"))), key=lambda q: q.value, default=None)
        elif spun:
            silent.append(position)
    return replace(compare_flicks(flicks, clicks), silent=tuple(silent)) if len(flicks) > 1 else None


def compare_flicks(flicks: Mapping[str, Sequence[float]], clicks: Mapping[str, Quantity | None] | None = None) -> SpinComparison:
    """Compare coast times, s, flick by flick, of two or more motors.

    Each motor is held against the median of the others (leave-one-out: among four no ordinary score can pass 1.5, Shiffler 1988). The
    scatter of flicks and the spread of good motors are learned from the craft itself, with FLICK_SCATTER and MOTOR_SPREAD as priors
    (conjugate, Gelman et al. 2013, section 2.6), the spread from the others alone, so that a bad motor does not hide itself.
    """
    logs = {position: np.log(np.asarray(seconds)) for position, seconds in flicks.items()}
    mean = {position: float(x.mean()) for position, x in logs.items()}
    squares = sum(float(((x - x.mean()) ** 2).sum()) for x in logs.values())
    freedom = WORTH + sum(x.size - 1 for x in logs.values())
    repeat = (WORTH * FLICK_SCATTER**2 + squares) / freedom
    found = []
    for position, own in mean.items():
        others = [p for p in mean if p != position]
        values = np.array([mean[p] for p in others])
        noise = float(np.mean([repeat / logs[p].size for p in others]))
        centre = float(np.median(values))
        off = _robust_squares(values - centre)
        worth = MOTORS_WORTH + len(others) - 1
        spread = max((MOTORS_WORTH * MOTOR_SPREAD**2 + max(off - (len(others) - 1) * noise, 0.0)) / worth, 0.0)
        middle = math.pi / 2 / (len(others) + 0.5) if len(others) > 2 else 1 / len(others)
        error = math.sqrt(spread + repeat / logs[position].size + (spread + noise) * middle)
        shorter = centre - own
        reach = float(stdtrit(worth, 0.975)) * error
        u95 = float(stdtrit(freedom, 0.975)) * math.sqrt(repeat / logs[position].size)
        found.append(
            Coasting(
                position,
                math.exp(own),
                math.exp(own) * u95,
                logs[position].size,
                math.exp(shorter),
                math.exp(shorter - reach),
                math.exp(shorter + reach),
                float(stdtr(worth, -shorter / error)),
                (clicks or {}).get(position),
            )
        )
    return SpinComparison(tuple(found), math.sqrt(repeat))


def _robust_squares(off: Array) -> float:
    """Sum of squares about the median, each held to nine times the median square: one more bad motor does not hide the first."""
    squares = off**2
    return float(np.minimum(squares, 9 * max(float(np.median(squares)), MOTOR_SPREAD**2)).sum())


def conclusion_words(comparison: SpinComparison) -> str:
    """Say which motor drags and how sure that is."""
    said = []
    for m in sorted(comparison.dragging, key=lambda m: m.chance):
        often = 1 / max(m.chance * len(comparison.motors), 1e-4)
        rare = "one in 10 000 or fewer" if often > 9999 else f"one in {often:.0f}"
        said.append(
            f"{m.position} drags: {m.ratio:.2f} times the drag of the others (95 %: {m.ratio_low:.2f} to {m.ratio_high:.2f}). "
            f"Of craft with good motors {rare} would show as much."
        )
    said = said or [
        "No motor drags more than repeating the flicks and the spread of good motors explain: none takes more than "
        f"{max(m.ratio_high for m in comparison.motors):.2f} times the drag of the others."
    ]
    if comparison.silent:
        said.append(f"Not compared, for want of a coast time: {listed(comparison.silent)}. Flick again as its own note says.")
    return " ".join(said)


def spins_json(comparison: SpinComparison) -> dict[str, Any]:
    """Give the object "vibekit.hand-spin/1"."""
    return {
        "schema": "vibekit.hand-spin/1",
        "motors": [
            {
                "position": m.position,
                "coast_time_s": m.seconds,
                "coast_time_u95_s": m.u95,
                "flicks": m.flicks,
                "drag_ratio": m.ratio,
                "drag_ratio_95": [m.ratio_low, m.ratio_high],
                "chance": m.chance,
                "clicks_per_turn": m.clicks.value if m.clicks else None,
            }
            for m in comparison.motors
        ],
        "without_coast_time": list(comparison.silent),
        "flick_scatter": comparison.repeat,
        "dragging": [m.position for m in comparison.dragging],
        "false_alarms_per_craft": ALARM,
    }
