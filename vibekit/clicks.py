"""Clicks of a high band: how often, how evenly, how unlike in size. Grit clicks at random, a race at a beat, a knock once, wash never."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from vibekit.long_transform import Real
from vibekit.median import median
from vibekit.normal import Z95
from vibekit.orders import RANGES
from vibekit.reading import Quantity

Array = npt.NDArray[np.float64]
FALSE = 0.05  # clicks expected in a whole record of noise
STRETCH_S = 0.02  # over which noise is taken to be even but for SWELL
SWELL = 1.5  # how far gusts and an uncertain median may lift noise within a stretch
DEAD_S = 2e-3  # from a click on, what comes so soon is its ringing
FEWEST = 20  # clicks from which their spacing and sizes are stated


@dataclass(frozen=True, slots=True)
class Clicks:
    """Where a squared envelope stands out of Gaussian noise.

    at_s: (n,) seconds from the start; size_db: (n,) height over the noise about each; heard_s: seconds that were listened to
    """

    at_s: Array
    size_db: Array
    heard_s: float

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """Rate in clicks a second, as if none hid behind another (Mueller, Nucl. Instrum. Methods 112 (1973) 47-57: dead time); from
        FEWEST on also their spacing, the scatter of the gaps over their mean (at random 1, at a beat nearly 0), and their sizes, the
        standard deviation of the heights.

        Intervals: `poisson_u95`, `unevenness`, `_scatter`.
        """
        count = len(self.at_s)
        awake = max(self.heard_s - count * DEAD_S, DEAD_S)
        rate = Quantity("click rate", count / awake, poisson_u95(count) / awake, "1/s")
        if count < FEWEST:
            return (rate,)
        gap = np.maximum(np.diff(self.at_s) - DEAD_S, 0.0)
        return rate, Quantity("click spacing", *unevenness(gap), "1"), Quantity("click sizes", *_scatter(self.size_db), "dB")


def find_clicks(squared: Real, rate_hz: float, leave_out_s: RANGES) -> Clicks:
    """Clicks in a squared envelope (m,) whose samples are independent, as those of a band at its own rate are.

    The noise about each is the median of its stretch, so that up to half of the time may click.
    """
    size = max(int(STRETCH_S * rate_hz), 32)
    count = len(squared) // size
    if count < 1:
        return Clicks(np.zeros(0), np.zeros(0), 0.0)
    stretch = squared[: count * size].reshape(count, size)
    noise = np.maximum(median(stretch) / math.log(2), np.finfo(np.float32).tiny)
    height = (stretch / noise[:, None]).ravel()
    for start, stop in leave_out_s:
        height[max(int(start * rate_hz) - 2, 0) : int(stop * rate_hz) + 3] = 0.0
    heard = float(np.count_nonzero(height)) / rate_hz
    loud = height > SWELL * np.log(len(height) / FALSE)
    over = np.flatnonzero(loud[1:] & ~loud[:-1]) + 1
    dead = max(int(DEAD_S * rate_hz), 1)
    first: list[int] = []
    while over.size:
        first.append(int(over[0]))
        over = over[np.searchsorted(over, first[-1] + dead) :]
    top = [float(height[i : i + dead].max()) for i in first]
    return Clicks(np.array(first) / rate_hz, 10 * np.log10(np.array(top)), heard)


def poisson_u95(count: int) -> float:
    """Half width of the 95 % interval of the mean of a Poisson count.

    Its variance is that in the middle of the score interval, count + 1.96^2 / 2 (Agresti & Coull, Am. Stat. 52 (1998) 119-126).
    """
    return Z95 * math.sqrt(count + 2)


def unevenness(gap: Array) -> tuple[float, float]:
    """Standard deviation of gaps (n,) over their mean, 0 as a clock, 1 at random, and the half width of its 95 % interval.

    Variance c^2 (1 + c^2) / 2 n of a coefficient of variation c, as of gaps with a gamma distribution, which holds both of these ends
    (delta method: Cramer, Mathematical Methods of Statistics (1946), 27.7); Student's factor as gaps may be few.
    """
    n, ratio = gap.size, float(gap.std(ddof=1) / gap.mean())
    return ratio, float(stdtrit(n - 1, 0.975)) * ratio * math.sqrt((1 + ratio**2) / 2 / (n - 1))


def _scatter(value: Array) -> tuple[float, float]:
    """Standard deviation of values (n,), n > 4, and its u95: the upper part, which is the wider, of an interval by the fourth moment.

    About a trimmed mean and of the logarithm, as few values tell little of it (D.G. Bonett, Comput. Stat. Data Anal. 50 (2006) 775-782:
    from memory).
    """
    n, spread = value.size, float(value.std(ddof=1))
    cut, wide = int(n / (2 * math.sqrt(n - 4))), n / (n - Z95)
    fourth = float(np.sum((value - np.sort(value)[cut : n - cut].mean()) ** 4))
    error = wide * math.sqrt(max(n * fourth / max((n - 1) * spread**2, 1e-24) ** 2 - (n - 3) / n, 0.0) / (n - 1))
    return spread, spread * (math.sqrt(wide) * math.exp(0.98 * error) - 1)
