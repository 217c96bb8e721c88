"""Spectral lines of a record, and how rarely chance alone puts one as high at a given place."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d
from scipy.special import gammaincinv

from vibekit.frames import PADDING, Frames
from vibekit.parabola import vertex

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
FEWEST = 24  # fewer local maxima say nothing about what is rare
SIDE_LOBE = 2e-3  # of the power of a line within six widths: no more than a side lobe of the Hann window (-31 dB and less)
APART_DB = 10.0  # a line this far below another does not turn its phase
NOISE_DB = 4.0  # above what is visible: the highest of a few dozen bins of noise
TINY = 1e-12  # of the noise: where a made signal has none


@dataclass(frozen=True, slots=True)
class Lines:
    """Local maxima of an averaged spectrum.

    frequency: (n,) Hz, ascending, between bins by a parabola through the logarithms
    height_db: (n,) power over the noise beside it, dB; visible_db: what noise alone exceeds in one bin of a hundred
    rank: (n,) number of maxima that stand higher
    width_hz: distance of two independent bins; top_hz: highest frequency looked at
    blank_hz: (m, 2) from, to: bands where hum hides what is there
    """

    frequency: Array
    height_db: Array
    visible_db: float
    rank: Index
    width_hz: float
    top_hz: float
    blank_hz: Array

    def highest(self, count: int) -> Index:
        """Indices of the highest lines (k,), highest first, k at most `count`."""
        at = np.flatnonzero(self.rank < count)
        return at[np.argsort(self.rank[at])]

    def best_near(self, frequency_hz: Array, reach_hz: Array) -> Index:
        """Index of the highest line within `reach_hz` of each frequency (any shape), -1 where there is none."""
        first = np.searchsorted(self.frequency, frequency_hz - reach_hz)
        last = np.searchsorted(self.frequency, frequency_hz + reach_hz, side="right")
        best = np.where(last > first, first, -1)
        for offset in range(1, int(np.max(last - first, initial=0))):
            rival = np.minimum(first + offset, self.frequency.size - 1)
            better = (first + offset < last) & (self.rank[rival] < self.rank[best])
            best = np.where(better, rival, best)
        return best

    def is_blank(self, frequency_hz: Array) -> npt.NDArray[np.bool_]:
        """Say where nothing can be seen: beyond the band, or under hum."""
        hidden = frequency_hz >= self.top_hz
        for low, high in self.blank_hz:
            hidden |= (frequency_hz > low) & (frequency_hz < high)
        return np.asarray(hidden)

    def is_alone(self, frequency_hz: Array, reach_hz: float) -> npt.NDArray[np.bool_]:
        """Say of lines at some frequencies (m,) whether no other nearly as high lies within `reach_hz` of each."""
        apart = np.abs(self.frequency - frequency_hz[:, None])
        own = apart < np.maximum(2 * self.width_hz, 0.015 * frequency_hz)[:, None]
        height = np.where(own, self.height_db, -np.inf).max(axis=1)
        other = np.where(~own & (apart < reach_hz), self.height_db, -np.inf).max(axis=1)
        return np.asarray(other < np.maximum(height - APART_DB, self.visible_db + NOISE_DB))

    def is_under_hum(self, frequency_hz: Array, reach_hz: float) -> npt.NDArray[np.bool_]:
        """Say of frequencies (m,) whether hum lies within `reach_hz` of each."""
        low, high = self.blank_hz[:, 0], self.blank_hz[:, 1]
        return np.asarray(((low < frequency_hz[:, None] + reach_hz) & (high > frequency_hz[:, None] - reach_hz)).any(axis=1))

    def chance(self, found: Index, reach_hz: Array, explained: Array | None = None) -> Array:
        """Probability that a place as wide as `reach_hz` either side holds a line as high as `found` (orders, m), by chance.

        By rank among all lines but those found higher in the same column, which are no chance; 1 where none is found.
        explained: (k, m) share of each of the k `highest` lines that is no chance either, being a higher order of the same column
        """
        own = np.argsort(np.argsort(np.where(found < 0, self.frequency.size, self.rank[found]), axis=0), axis=0)
        if explained is not None:
            before = np.concatenate((np.zeros((1, found.shape[1])), np.maximum(np.cumsum(explained, axis=0), 0.0)))
            own = own + np.take_along_axis(before, np.minimum(self.rank[found], len(explained)), axis=0)
        higher = np.maximum(self.rank[found] - own, 0) + 0.5
        expected = 2 * reach_hz / self.top_hz * np.where(found < 0, self.frequency.size, higher)
        return -np.expm1(-expected)


def find_lines(frames: Frames, scale: Array | None = None) -> Lines | None:
    """Lines of the frames' average, None when they are too few. scale: see `Frames.average`."""
    white = frames.average(scale) + TINY
    middle = white[1:-1]
    at = np.flatnonzero((middle > white[:-2]) & (middle >= white[2:])) + 1
    at = at[(at > 2) & (white[at] > SIDE_LOBE * maximum_filter1d(white, 12 * PADDING + 1)[at])]
    if at.size < FEWEST:
        return None
    frequency = (at + vertex(*(np.log(white[at + side]) for side in (-1, 0, 1)))) * frames.step_hz
    n = frames.averages
    over = np.maximum(white[at] * gammaincinv(n, 0.5) / n - 1, 0.01)  # the floor is the median of n averages, not their mean
    visible = gammaincinv(n, 0.99) / n - 1
    rank = np.empty(at.size, np.intp)
    rank[np.argsort(-white[at])] = np.arange(at.size)
    blank = frames.blank_hz if scale is None else frames.blank_hz / [float(scale.max()), float(scale.min())]
    return Lines(frequency, 10 * np.log10(over), 10 * np.log10(visible), rank, frames.width_hz, white.size * frames.step_hz, blank)
