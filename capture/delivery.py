"""Frames delivered against this computer's steady clock: drop-outs that no driver tells of, and the true rate.

A block comes late by a delay that is never below the device's own. Its lag, time passed less the time its frames span, therefore has a
floor. A floor that rises and stays up means frames that never came; one that slopes evenly means another rate than stated.
"""

import math
from array import array
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.normal import Z95

SLOT_S = 0.05  # of the blocks in a slot, the one with the least lag is kept: 20 a second, whatever the block size
WINDOW_S = 1.0  # the floor is the least lag of a window
STAY = 3  # windows that must follow a loss
HORIZON = 60  # and for as long, where there are so many, it must stay up: a computer that was merely busy catches up
LEAST_S = 0.006  # smallest loss that is looked for
SPREADS = 8.0  # and it must stand out by this many usual changes of the floor
DEVIATION = 1.4826  # standard deviation over the median of |x|, Gaussian
CLOCK_U95 = 1e-4  # a computer's clock is right within this (common practice, no source)
LEAST_WINDOWS, MOST_FLOORS = 8, 300  # windows for a rate; floors that it is taken from
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Loss:
    """Frames that never came: how many, before which delivered frame, and how many frames before that the place may lie."""

    frame: int
    missing: int
    within: int


class Delivery:
    """Watches one stream: `add` each block as it comes, then ask for `losses` and `rate`. rate_hz: as stated."""

    def __init__(self, rate_hz: float) -> None:
        self.rate_hz = rate_hz
        self._began_ns: int | None = None
        self._lag = array("d")  # of the least lagging block of each slot: lag in s, time in s, frames delivered after it, frames in it
        self._at = array("d")
        self._after = array("q")
        self._size = array("q")

    def add(self, after: int, size: int, at_ns: int) -> None:
        """Note that a block of `size` frames arrived, the stream then being at frame `after`: what is known to be lost is counted in it."""
        if self._began_ns is None:
            self._began_ns = at_ns
        at = (at_ns - self._began_ns) / 1e9
        lag = at - after / self.rate_hz
        if not self._at or at // SLOT_S > self._at[-1] // SLOT_S:
            self._lag.append(lag)
            self._at.append(at)
            self._after.append(after)
            self._size.append(size)
        elif lag < self._lag[-1]:
            self._lag[-1], self._at[-1], self._after[-1], self._size[-1] = lag, at, after, size

    def losses(self) -> list[Loss]:
        """Give what never came, in order. The last STAY seconds are not judged yet."""
        first = self._windows()
        if len(first) < STAY + 2:
            return []
        t, lag = np.array(self._at), np.array(self._lag)
        lag = lag - t * float(np.median(np.diff(np.minimum.reduceat(lag, first)) / np.diff(t[first])))
        floor = np.minimum.reduceat(lag, first)
        least = max(LEAST_S, SPREADS * DEVIATION * float(np.median(np.abs(np.diff(floor)))))
        found = []
        k = 1
        while k + STAY <= len(floor):
            before = float(np.max(floor[max(k - STAY, 0) : k]))
            rise = float(np.min(floor[k : k + HORIZON])) - before
            if rise > least:
                found.append(self._loss(lag, int(first[k - 1]), int(first[k]), before, rise))
                k += STAY
            else:
                k += 1
        return found

    def rate(self) -> tuple[float, float] | None:
        """Give frames a second by this computer's clock and the half width of the 95 % interval; None when too short to tell.

        From the median of the slopes between all floors, which a stall does not move.
        """
        first = self._windows()
        if len(first) < LEAST_WINDOWS:
            return None
        t, lag, after = np.array(self._at), np.array(self._lag), np.array(self._after)
        for loss in self.losses():
            lag = lag - np.where(after > loss.frame, loss.missing / self.rate_hz, 0.0)
        lowest = [a + int(np.argmin(lag[a:b])) for a, b in zip(first, [*first[1:], len(lag)], strict=True)]
        some = lowest[:: -(-len(lowest) // MOST_FLOORS)]
        at, floor = t[some], lag[some]
        later = np.triu_indices(len(some), 1)
        slope = float(np.median((floor[later[1]] - floor[later[0]]) / (at[later[1]] - at[later[0]])))  # Theil (1950), Sen (1968)
        rest = floor - slope * at
        spread = DEVIATION * float(np.median(np.abs(rest - np.median(rest))))
        u95 = 2 * Z95 * spread / math.sqrt(float(np.sum((at - at.mean()) ** 2)))  # twice: floors follow each other
        return self.rate_hz * (1 - slope), self.rate_hz * math.hypot(u95, CLOCK_U95)

    def _windows(self) -> npt.NDArray[np.intp]:
        """Index of the first slot of each window."""
        return np.flatnonzero(np.diff(np.array(self._at) // WINDOW_S, prepend=-1.0))

    def _loss(self, lag: Array, start: int, stop: int, before: float, rise: float) -> Loss:
        """The loss that raised the floor: after the last slot in start:stop on the old floor, before the first one from stop on the new."""
        low = start + int(np.flatnonzero(lag[start:stop] < before + rise / 2)[-1])
        high = stop + int(np.flatnonzero(lag[stop:] < before + 1.25 * rise)[0])
        frame = self._after[high] - self._size[high]
        return Loss(frame, round(rise * self.rate_hz), frame - self._after[low])
