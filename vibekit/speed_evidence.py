"""What 1x at several speeds says together: a force is there at all of them, a resonance answers at one."""

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import logsumexp
from scipy.stats import multivariate_normal

from vibekit.change import Change, change
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability

APART = 0.1  # speeds nearer to each other than this count as one
FEWEST = 3
RISEN_DB = 2.0
FAULT_DB, UNLIKE_DB = 10.0, 2.0  # what a fault does to 1x; by how much arms answer unlike from speed to speed (common practice, no source)
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
        for together in _by_speed(readings)
        if (moved := change("1x", together, references, repeatability, peers=peers)) is not None
    ]
    rose = [rpm for rpm, moved in at if moved.delta > RISEN_DB]
    if len(at) < FEWEST or not rose:
        return None
    force, alone, nothing = _logs([moved for _, moved in at])
    odds = float(np.clip((alone - max(force, nothing)) / math.log(10), -MOST, MOST))
    said = ", ".join(f"{moved.delta:+.1f} dB at {rpm:.0f} rpm" for rpm, moved in at).replace("-", "\N{MINUS SIGN}")
    means = "one speed alone, as a resonance answers" if odds > 0 else "all speeds alike, as a force does"
    return f"1x at {len(at)} speeds: {said}; {means}", odds


def _by_speed(readings: Sequence[Reading]) -> list[list[Reading]]:
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


def _logs(moved: Sequence[Change]) -> tuple[float, float, float]:
    """Log likelihoods of one factor at all speeds, of a rise at one of them, and of neither."""
    y = np.array([m.delta for m in moved])
    own = np.diag([(m.u95 / 1.96) ** 2 + UNLIKE_DB**2 for m in moved])

    def log(cover: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> float:
        return float(multivariate_normal.logpdf(y, cov=cover))

    at_one = [log(own + FAULT_DB**2 * np.diag(np.eye(len(y))[i])) for i in range(len(y))]
    return log(own + FAULT_DB**2), float(logsumexp(at_one)) - math.log(len(y)), log(own)
