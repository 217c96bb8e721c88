"""Clicks of a high band: how often, how evenly, how unlike in size. Grit clicks at random, a race at a beat, a knock once, wash never."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.long_transform import Real
from vibekit.median import median
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

        Intervals: counts of a Poisson process; of a coefficient of variation and a standard deviation by their fourth moments
        (Cramer, Mathematical Methods of Statistics (1946), 27.4 and 27.7).
        """
        count = len(self.at_s)
        awake = max(self.heard_s - count * DEAD_S, DEAD_S)
        rate = Quantity("click rate", count / awake, 1.96 * float(np.sqrt(max(count, 1))) / awake, "1/s")
        if count < FEWEST:
            return (rate,)
        gap = np.maximum(np.diff(self.at_s) - DEAD_S, 0.0)
        return rate, _scatter("click spacing", gap / gap.mean(), "1"), _scatter("click sizes", self.size_db, "dB")


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


def _scatter(name: str, value: Array, unit: str) -> Quantity:
    """Standard deviation and its u95."""
    apart = value - value.mean()
    spread = float(np.sqrt(np.mean(apart**2)))
    error = np.sqrt(max(float(np.mean(apart**4)) - spread**4, 0.0) / len(value)) / (2 * max(spread, 1e-12))
    return Quantity(name, spread, 1.96 * float(error), unit)
