"""Whether a round can be believed: its two halves beside each other, speeds, what turned in between."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import linear_sum_assignment

from vibekit.errors import UsageError
from vibekit.reading import Reading
from vibekit.round_split import Run, Split

SPEED = 0.03  # by which two runs of one rotor may differ
SPEEDS = 0.05  # and those of different rotors, whose levels are compared with each other
LOUDER_DB = 6.0  # mean difference of two runs of one rotor; refitting nothing changes less
TURNED_DB = 3.0  # above the background between two runs
DOUBT_DB = 0.4  # by which another order must fit better, for each rotor that it moves: the announced one does so in 1 of 100, by simulation
Array = npt.NDArray[np.float64]


def check_order(split: Split, positions: Sequence[str], rounds: int = 2, *, by_hand: bool = False) -> tuple[str, ...]:
    """Say why it is not sure that the runs are the rotors in the announced order, again and again; nothing when it is.

    by_hand: motors were flicked, so that how loud a run is tells of the hand and says nothing of the order
    """
    expected = len(positions) * rounds
    if len(split.runs) != expected:
        return (f"{len(split.runs)} runs are heard, {expected} were announced ({rounds} rounds of {len(positions)} rotors)",)
    if not split.clear:
        return (f"{expected} runs are heard only just: at other levels more or fewer stand out of the background",)
    return () if by_hand else tuple(filter(None, (_another_order(split.runs, positions, k) for k in range(1, rounds))))


def check_round(split: Split, positions: Sequence[str], readings: Sequence[Reading]) -> tuple[str, ...]:
    """Say what makes the runs less comparable. positions, readings: one a run, in the order heard. Raises UsageError."""
    if not len(split.runs) == len(positions) == len(readings):
        raise UsageError(f"{len(split.runs)} runs, {len(positions)} positions and {len(readings)} readings are given; give one a run")
    found = []
    if not split.knocks_s:
        found.append("no knock was heard before the first rotor: make sure that the sensor is fixed, and that it is the one that records")
    found += [
        f"before {position} something still turned or blew, {run.before_db:.0f} dB above the background: what it adds is in that run, too"
        for run, position in zip(split.runs, positions, strict=True)
        if run.before_db > TURNED_DB
    ]
    if not any(reading.settings.test == "hand-spin" for reading in readings):
        found += _speeds(positions, readings) + _levels(split.runs, positions)
    windy = [p for p, r in zip(positions, readings, strict=True) if any(problem.code == "wind" for problem in r.screening.problems)]
    if windy:
        found.append(f"wind or wash blew on the microphone during {', '.join(dict.fromkeys(windy))}: low orders are hidden there")
    return tuple(found)


def _another_order(runs: Sequence[Run], positions: Sequence[str], which: int) -> str:
    """Whether the rotors of a later round are more like those of the first in another order; its words, else "".

    By the shape of their levels alone: what all bands of a run share repeats least.
    """
    count = len(positions)
    first, later = (np.stack([run.levels_db - run.levels_db.mean() for run in runs[k * count : (k + 1) * count]]) for k in (0, which))
    apart = np.abs(first[:, np.newaxis] - later[np.newaxis]).mean(axis=2)
    _, best = linear_sum_assignment(apart)
    moved = int(np.sum(best != np.arange(count)))
    if apart.trace() - apart[np.arange(count), best].sum() <= DOUBT_DB * moved or not moved:
        return ""
    order = ", ".join(positions[int(np.flatnonzero(best == k)[0])] for k in range(count))
    return f"round {which + 1} sounds as if its order had been {order}"


def _speeds(positions: Sequence[str], readings: Sequence[Reading]) -> list[str]:
    """Runs of one rotor at unequal speeds, and rotors at unequal speeds."""
    known: dict[str, list[float]] = {}
    for position, reading in zip(positions, readings, strict=True):
        if reading.speed.rpm is not None:
            known.setdefault(position, []).append(reading.speed.rpm)
    found = [
        f"{position} turned at {', '.join(f'{rpm:.0f}' for rpm in rpms)} rpm: its runs are compared only as far as speed allows"
        for position, rpms in known.items()
        if max(rpms) / min(rpms) > 1 + SPEED
    ]
    means = {position: float(np.mean(rpms)) for position, rpms in known.items()}
    if len(means) > 1 and max(means.values()) / min(means.values()) > 1 + SPEEDS:
        told = ", ".join(f"{position} {rpm:.0f}" for position, rpm in means.items())
        found.append(f"the rotors turned at unequal speeds ({told} rpm): set the same speed for each, since levels grow with it")
    return found


def _levels(runs: Sequence[Run], positions: Sequence[str]) -> list[str]:
    """Rotors whose runs are unequally loud."""
    of: dict[str, list[Array]] = {}
    for run, position in zip(runs, positions, strict=True):
        of.setdefault(position, []).append(run.levels_db)
    found = []
    for position, levels in of.items():
        apart = max((float(np.abs(other - levels[0]).mean()) for other in levels[1:]), default=0.0)
        if apart > LOUDER_DB:
            found.append(f"{position} sounds {apart:.0f} dB different the second time: did the sensor move, or is something loose?")
    return found
