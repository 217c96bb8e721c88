"""What a run-up says of 1x against an earlier one: it rose at one speed alone, as a resonance answers, or all along, as a force does."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from vibekit.change import Pairing
from vibekit.decibel import NEPER_DB
from vibekit.normal import Z95
from vibekit.reading import Curve
from vibekit.speed_evidence import DAMPING

Array = npt.NDArray[np.float64]
STEP, FEWEST = 0.04, 8  # ratio of neighbouring speeds at which two run-ups are compared, and how many of them both must hold
PEAKS_DB = np.arange(3.0, 30.0, 3.0)  # heights of a rise that are thought of
# standard deviations in dB (common practice, no source): of a force that changed; of how unlike frame and room pass a changed force on from
# speed to speed; of 1x with the propeller put on anew; of what frame and room do from one run-up to the next; of one speed by itself
FORCE_DB, UNLIKE_DB, REFIT_DB, REST_DB, OWN_DB = 10.0, 4.0, 5.0, 2.0, 0.5
ALIKE = 0.1  # relative distance of speeds over which the path's changes are alike: the width of a well damped mode
TINY = float(np.finfo(float).tiny)
FALLS_DB = 6.0  # below its own middle by more, a rise tells nothing: where a new mode works against an old one, 1x vanishes


@dataclass(frozen=True, slots=True)
class LoneRise:
    """1x of a run-up against that of earlier ones.

    score: log10 of the odds of one speed that answers against all speeds that rose, or none; below 0 for the latter
    rpm, there_db: where 1x rose most, and by how much; elsewhere_db: the median rise over all speeds
    u95_db, elsewhere_u95_db: half widths of their 95 % intervals, from the tracking of both; the second that of one middling speed
    """

    score: float
    rpm: float
    there_db: float
    u95_db: float
    elsewhere_db: float
    elsewhere_u95_db: float

    @property
    def is_hidden(self) -> bool:
        """At a middling speed 1x hides in noise on either side so far that a mode could stand there unseen."""
        return self.elsewhere_u95_db > FALLS_DB


def lone_rise(pairs: Sequence[Pairing], steady_rpm: Sequence[float] = ()) -> LoneRise | None:
    """Compare the curves of 1x against speed; None without two that share FEWEST speeds. Of several run-ups the median one counts.

    steady_rpm: speeds of the same motor's other recordings. A mode that is to explain what was met there lies there: half of what is
    thought of beforehand, the other half anywhere.

    A force that changed raises 1x by one factor at all speeds; a mode that was not there raises it where it lies (Rao, Mechanical
    Vibrations, sections 3.4 and 3.7: from memory). The rise in dB is normal about either, with a factor, a speed and a height that are
    not known beforehand; what path and noise do is alike at neighbouring speeds (Rasmussen & Williams, Gaussian Processes for Machine
    Learning (2006), section 2.2 and equation 4.18).
    """
    found = [rise for pair in pairs if (rise := _compared(pair, steady_rpm)) is not None]
    if not found:
        return None
    middle = median(rise.score for rise in found)
    return min(found, key=lambda rise: abs(rise.score - middle))


def _compared(pair: Pairing, steady_rpm: Sequence[float]) -> LoneRise | None:
    now = pair.reading.curve("1x")
    past = [(curve, gain) for r, gain in zip(pair.references, pair.gains_db, strict=True) if (curve := r.curve("1x")) is not None]
    if now is None or not past:
        return None
    low, high = max(c.x.min() for c in (now, *(c for c, _ in past))), min(c.x.max() for c in (now, *(c for c, _ in past)))
    count = int(math.log(high / low) / STEP) if high > low else 0
    if count < FEWEST:
        return None
    rpm = np.geomspace(low, high, count)
    power, error = _power(now, rpm)
    before, before_error = np.mean([_power(curve, rpm) * 10 ** (gain / 10) for curve, gain in past], axis=0)
    under = 2 * np.maximum(error, before_error)  # noise of equal power under both, so that lines which hide in it compare as equal
    rise = 10 * np.log10((power + under) / (before + under))
    own = NEPER_DB**2 * (error / (power + under) + before_error / (before + under))
    most = int(rise.argmax())
    u95 = Z95 * np.sqrt(own)
    there, elsewhere = (float(rise[most]), float(u95[most])), (float(np.median(rise)), float(np.median(u95)))
    return LoneRise(_score(rpm, rise, own, steady_rpm), float(rpm[most]), *there, *elsewhere)


def _power(curve: Curve, rpm: Array) -> Array:
    """Squares of the amplitude at these speeds, and of its standard error, (2, speeds)."""
    u95 = np.zeros(len(curve.x)) if curve.u95 is None else curve.u95
    return np.array([np.interp(rpm, curve.x, curve.y**2), np.interp(rpm, curve.x, (u95 / Z95) ** 2 + TINY)])


def _score(rpm: Array, rise: Array, own: Array, steady_rpm: Sequence[float] = ()) -> float:
    """Log10 of the odds; own: variance of each rise from the measurement itself, dB squared."""
    from scipy.stats import multivariate_normal

    y = _held(rise)
    met = np.array([any(abs(math.log(middle / steady)) < STEP for steady in steady_rpm) for middle in rpm])
    met = met if met.any() else np.ones(len(rpm), bool)
    likely = 0.5 / len(rpm) + 0.5 * met / met.sum()  # of a mode at each speed
    near = np.exp(-np.abs(np.log(rpm[:, None] / rpm)) / ALIKE)
    each = np.diag(own + OWN_DB**2)
    rest = each + REST_DB**2 * near + REFIT_DB**2
    force = each + UNLIKE_DB**2 * near + FORCE_DB**2
    peaks = [y - _held(shape) for middle in rpm for height in PEAKS_DB for shape in _beside_a_mode(rpm / middle, height)]
    each_mode = multivariate_normal.logpdf(peaks, cov=rest).reshape(len(rpm), -1)
    alone = float(logsumexp(each_mode, b=likely[:, None] / each_mode.shape[1]))
    others = max(float(multivariate_normal.logpdf(y, cov=cover)) for cover in (rest, force))
    return (alone - others) / math.log(10)


def _beside_a_mode(ratio: Array, height: float) -> Array:
    """What a new mode does to 1x, dB, by speed over its frequency, (3, speeds): `height` at it.

    Below it, it moves with the old motion, against it, or across it, for a rotor shakes both ways: |1 + g / (1 - r^2 + 2 j zeta r)| with
    g of either sign, or as a sum of squares (Ewins, Modal Testing (2000), section 2.7: receptance as a sum over modes, with
    antiresonances between those of like sign: from memory).
    """
    part = 2 * DAMPING * math.sqrt(10 ** (height / 10) - 1) / (1 - ratio**2 + 2j * DAMPING * ratio)
    across = np.hypot(1, np.abs(part))
    return 20 * np.log10([np.abs(1 + part), np.abs(1 - part), across])


def _held(rise: Array) -> Array:
    """What a rise tells: no fall below its own middle by more than FALLS_DB."""
    return np.asarray(np.maximum(rise, np.median(rise) - FALLS_DB))
