"""What 1x at several speeds says together: a force is there at all of them, a resonance answers at one."""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from vibekit.change import Change, change
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability

Array = npt.NDArray[np.float64]
DAMPING = 0.03  # share of critical, of a frame's mode (common practice, no source)
APART = 0.1  # speeds nearer to each other than this count as one
FEWEST = 3
RISEN_DB = 2.0
FAULT_DB = 10.0  # what a fault does to 1x (common practice, no source)
# by how much a force that rose shows unlike from speed to speed, mounts and frame answering unlike, and by how much what did not rise is
# off in one sitting (common practice, no source)
UNLIKE_DB, REST_DB = 5.0, 3.0
FAR = 0.25  # relative distance from a mode at which it does little
FORCED = -1.0  # log10 of the odds where 1x rose there, too (common practice, no source)
MOST = 1.5  # log10 of the odds that this may shift: arms differ in more than the model knows


def over_speeds(
    readings: Sequence[Reading], references: Sequence[Reading], repeatability: Repeatability, *, peers: bool = False
) -> tuple[str, float] | None:
    """Log10 of the odds of a resonance against a force, in words and as a number; None with too few speeds, or when nothing rose.

    Against references at the same speeds an unbalance raises 1x by one factor, since its force and that of what unbalance every rotor
    keeps both go as speed squared; a mode that came near one speed raises it there alone (Rao, Mechanical Vibrations, sections 3.4 and
    3.7). Both are normal in dB about that, with a factor, and a speed, that is not known beforehand.
    """
    at = [
        (float(np.mean([r.speed.rpm for r in together if r.speed.rpm])), moved)
        for together in by_speed(readings)
        if (moved := change("1x", together, references, repeatability, peers=peers)) is not None
    ]
    rose = [rpm for rpm, moved in at if moved.delta > RISEN_DB]
    if len(at) < FEWEST or not rose:
        return None
    rpm = np.array([speed for speed, _ in at])
    force, alone, nothing = _logs(rpm, [moved for _, moved in at])
    odds = float(np.clip((alone - max(force, nothing)) / math.log(10), -MOST, MOST))
    if _beyond_a_mode(rpm, np.array([moved.delta for _, moved in at])):
        odds = min(odds, FORCED)
    said = ", ".join(f"{moved.delta:+.1f} dB at {rpm:.0f} rpm" for rpm, moved in at).replace("-", "\N{MINUS SIGN}")
    means = "one speed alone, as a resonance answers" if odds > 0 else "all speeds alike, as a force does"
    return f"1x at {len(at)} speeds: {said}; {means}", odds


def by_speed(readings: Sequence[Reading]) -> list[list[Reading]]:
    """Steady readings of one test at each speed, slowest first; of several tests that with most speeds."""
    best: list[list[Reading]] = []
    for test in ("prop", "bare"):
        found: list[list[Reading]] = []
        for reading in sorted((r for r in readings if r.settings.test == test and r.speed.rpm), key=lambda r: r.speed.rpm or 0.0):
            if found and (reading.speed.rpm or 0.0) < (1 + APART) * (found[-1][0].speed.rpm or 0.0):
                found[-1].append(reading)
            else:
                found.append([reading])
        best = max(best, found, key=len)
    return best


def _answer(ratio: Array) -> Array:
    """How a mode answers an unbalance at these ratios of speed to its frequency (Rao, Mechanical Vibrations, section 3.7: from memory)."""
    return np.asarray(ratio**2 / np.abs(1 - ratio**2 + 2j * DAMPING * ratio))


def _flank(ratio: Array, peak: float) -> Array:
    """What a mode that raises 1x by `peak` dB where it lies does at other speeds, dB."""
    return np.asarray(20 * np.log10(1 + (10 ** (max(peak, 0.0) / 20) - 1) * _answer(ratio) / _answer(np.ones(1))))


def _beyond_a_mode(rpm: Array, rise: Array) -> bool:
    """1x rose far from the speed where it rose most, and by more than a mode there would do: a force, whichever mode answers it."""
    most = int(rise.argmax())
    far = np.abs(rpm / rpm[most] - 1) > FAR
    return bool(np.any(far & (rise > _flank(rpm / rpm[most], float(rise[most])) + RISEN_DB)))


def _logs(rpm: Array, moved: Sequence[Change]) -> tuple[float, float, float]:
    """Log likelihoods of one factor at all speeds, of a mode at one of them, and of neither."""
    from scipy.stats import multivariate_normal

    y = np.array([m.delta for m in moved])
    own = np.diag([m.error**2 for m in moved])
    rest = own + REST_DB**2 * np.eye(len(y))

    def log(cover: Array) -> float:
        return float(multivariate_normal.logpdf(y, cov=cover))

    at_one = []
    for i, peak in enumerate(y):
        expected = np.where(np.arange(len(y)) == i, 0.0, _flank(rpm / rpm[i], peak))
        at_one.append(float(multivariate_normal.logpdf(y, mean=expected, cov=rest + FAULT_DB**2 * np.diag(np.eye(len(y))[i]))))
    force = own + UNLIKE_DB**2 * np.eye(len(y)) + FAULT_DB**2
    return log(force), float(logsumexp(at_one)) - math.log(len(y)), log(rest)
