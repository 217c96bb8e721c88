"""Evidence that lines stand in an envelope spectrum, as likelihood ratios whose mean under noise alone is at most 1 (e-values).

An e-value reaches 10^s by chance at most once in 10^s cases (Markov), and the mean of e-values is one again, however they depend on each
other (Vovk & Wang, Ann. Statist. 49 (2021) 1736-1754). So bands, slips, widths of lines and geometries are averaged: all of them are
tried, and the price is paid.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np
import numpy.typing as npt

from vibekit.envelope import EnvelopeSpectrum
from vibekit.window import HANN_NENBW

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
# A sound bearing is felt too: its balls pass through the load one by one. Amplitude of the envelope's line over its mean, and how common:
# half show none, the others scatter about 1 % by a factor of 1.5, no source; by the passing of balls under load: Sunnersjo, J. Sound Vib.
# 58 (1978) 363-373, from memory
SOUND = np.array([0.0, *0.01 * np.exp(0.4 * np.arange(-1.5, 4.0))])
COMMON = np.array([0.5, 0.065, 0.176, 0.176, 0.065, 0.0165, 0.0015])
EXCESS = np.array([3.0, 8.0, 20.0, 50.0, 150.0])  # heights of a line that are thought of, in deviations of the noise under it
CAP = 8.0 * np.log(10)  # one line alone proves little: above this its evidence grows as if clutter had a tail of the power TAIL
TAIL = 3.0
# by so much may a score, which goes as the power of the lines, grow in a sound bearing that takes up its load anew: they double (common
# practice, no source)
GROWTH = 4.0
TINY = float(np.finfo(float).tiny)
SKIRT = 3  # bins either side of a line that its window spreads it over
CLUTTER = 2.5  # times the floor, mean of five bins of one block: what stands so high beside a line belongs to its skirt


@dataclass(frozen=True, slots=True)
class Evidence:
    """Sums over the bins of an envelope spectrum that are not accounted for.

    free: (m,) 1 for a bin that may bear witness, 0 for one that is accounted for
    power, count: (m + 1,) running sums of the ratio to the floor and of the bins, free ones only
    sound: whether a sound bearing is thought to show lines, too; not where its own past tells
    """

    spectrum: EnvelopeSpectrum
    free: Array
    power: Array
    count: Array
    sound: bool = True

    @classmethod
    def of(cls, spectrum: EnvelopeSpectrum, clutter: Array, reach: float) -> "Evidence":
        """Evidence of a spectrum in which lines at the orders of `clutter` are accounted for, with their skirts up to `reach` orders."""
        free = np.ones(len(spectrum.ratio))
        free[:SKIRT] = 0
        return cls._summed(spectrum, free * ~_skirts(spectrum, clutter, reach))

    def without(self, clutter: Array, reach: float) -> "Evidence":
        """The same with more orders accounted for."""
        return replace(self._summed(self.spectrum, self.free * ~_skirts(self.spectrum, clutter, reach)), sound=self.sound)

    @classmethod
    def _summed(cls, spectrum: EnvelopeSpectrum, free: Array) -> "Evidence":
        power, count = np.zeros(len(free) + 1), np.zeros(len(free) + 1)
        np.cumsum(spectrum.ratio * free, out=power[1:])
        np.cumsum(free, out=count[1:])
        return cls(spectrum, free, power, count)

    def line(self, order: Array, half_width: Array) -> Array:
        """Natural log of the e-value of a line within `half_width` of each order; 0 where most of that is accounted for or outside.

        order, half_width: of shapes that broadcast. The sum of n bins of noise is gamma distributed (Welch 1967); against it stands
        the same law with a mean raised by each of EXCESS, all equally likely; noise stands there with a line of a SOUND bearing.
        """
        order, half_width = np.broadcast_arrays(order, half_width)
        low, high, bins, inside = self._bins(order, half_width)
        shapes = np.maximum(np.arange(bins.max(initial=0) + 1) / HANN_NENBW, 1.0) * self.spectrum.blocks  # they repeat: few counts occur
        number = bins.astype(np.intp)
        shape = shapes[number]
        total = (self.power[high] - self.power[low]) / np.maximum(bins, 1) * shape
        level = (..., *[None] * shape.ndim)
        raised = EXCESS[:, None] / np.sqrt(shapes)
        slope, least = raised / (1 + raised), shapes * np.log1p(raised)
        log = log_mean(total * slope.take(number, axis=1) - least.take(number, axis=1), 0)
        if self.sound:
            centre = np.minimum(np.maximum(np.rint(order / self.spectrum.resolution).astype(int), 0), len(self.free) - 1)
            usual = SOUND[level] ** 2 * self.spectrum.unit[centre] / np.maximum(bins, 1) * shape
            log -= log_mean(_with_line(total, shape, usual), 0, COMMON[level])
        return np.where(inside, _capped(log), 0.0)

    def shows(self, order: Array, half_width: Array) -> npt.NDArray[np.bool_]:
        """Whether a line within `half_width` of each order would be seen: most of that is neither accounted for nor outside."""
        return self._bins(*np.broadcast_arrays(order, half_width))[3]

    def _bins(self, order: Array, half_width: Array) -> tuple[Index, Index, Array, npt.NDArray[np.bool_]]:
        """First and last bin but one of each range of orders, how many are free, and whether those are most of it."""
        size, resolution = len(self.free), self.spectrum.resolution
        low = np.rint((order - half_width) / resolution).astype(int)
        high = np.rint((order + half_width) / resolution).astype(int) + 1
        inside = (low >= SKIRT) & (high < size)
        wide = high - low
        low, high = np.minimum(np.maximum(low, 0), size), np.minimum(np.maximum(high, 0), size)  # numpy.clip takes twice as long
        bins = self.count[high] - self.count[low]
        return low, high, bins, inside & (2 * bins >= wide)


def _capped(log: Array) -> Array:
    over = log > CAP
    return np.where(over, CAP + TAIL * np.log(np.maximum(log, CAP) / CAP), log) if over.any() else log


def _with_line(total: Array, shape: Array, line: Array) -> Array:
    """Natural log of the likelihood ratio of noise with a steady line of power `line` to noise alone: noncentral to central chi-square,
    exp(-line) 0F1(; shape; line total), to which shape (r - 1 - log((1 + r) / 2)), r^2 = 1 + 4 line total / shape^2, is near for any shape.
    """
    root = np.sqrt(1 + 4 * line * total / shape**2)
    return np.asarray(shape * (root - 1 - np.log((1 + root) / 2)) - line)


def agreed(scores: Sequence[float]) -> float:
    """What the scores (log10 of e-values) of several recordings say together: those of independent ones add, by the median one.

    Strikes of a bearing are in every recording: what one of several shows alone is something else.
    """
    return len(scores) * median(scores)


def grown(now: Sequence[float], before: Sequence[float], growth: float = GROWTH) -> float:
    """Log10 of what scores say beyond those of a sound past: by `growth` times what they said there, nothing has changed."""
    return agreed(now) - len(now) * growth * max(median(before), 0.0)


def either(first: float, second: float) -> float:
    """Log10 of the mean of two e-values, which is one again however they depend on each other; here never below 0."""
    return max(float(log_mean(np.log(10) * np.array([first, second])) / np.log(10)), 0.0)


def log_mean(log: Array, axis: int | None = None, weight: Array | None = None) -> Array:
    """Logarithm of the mean of exp(log) along an axis; weight: of as many along it, by default equal."""
    top = log.max(axis=axis, keepdims=True)
    each = np.exp(log - top)
    mean = each.mean(axis=axis) if weight is None else (each * weight).sum(axis=axis) / weight.sum(axis=axis)
    return np.asarray(np.log(np.maximum(mean, TINY)) + top.squeeze(axis=axis))


def perhaps(log: npt.ArrayLike, chance: float) -> Array:
    """The e-value of a line that is there with this chance only."""
    return np.asarray(np.logaddexp(np.log1p(-chance), np.log(chance) + log))


def _skirts(spectrum: EnvelopeSpectrum, orders: Array, reach: float) -> npt.NDArray[np.bool_]:
    """Which bins belong to lines at `orders`: their window's width, and on from there while the spectrum stands above the floor."""
    size = len(spectrum.ratio)
    at = np.unique(np.rint(np.abs(orders) / spectrum.resolution).astype(int))
    at = at[at < size]
    limit = CLUTTER if spectrum.blocks < 2 else 1 + 1.5 / np.sqrt(spectrum.blocks)
    quiet = np.convolve(spectrum.ratio, np.full(5, 0.2), "same") <= limit
    index = np.arange(size)
    before = np.maximum.accumulate(np.where(quiet, index, 0))
    after = np.minimum.accumulate(np.where(quiet, index, size)[::-1])[::-1]
    most = max(int(reach / spectrum.resolution), SKIRT)
    left = np.maximum(before[np.maximum(at - SKIRT, 0)], at - most)
    right = np.minimum(after[np.minimum(at + SKIRT, size - 1)], at + most)
    edge = np.zeros(size + 1)
    np.add.at(edge, np.maximum(left, 0), 1)
    np.add.at(edge, np.minimum(right + 1, size), -1)
    hidden = np.asarray(np.cumsum(edge[:-1]) > 0)
    if at.size:
        hidden[_lines(spectrum, at, limit, hidden)] = False
    return hidden


def _lines(spectrum: EnvelopeSpectrum, at: Index, limit: float, hidden: npt.NDArray[np.bool_]) -> Index:
    """Bins of lines that stand clear of those at `at`: the spectrum falls to its floor on either side, as a skirt does not."""
    ratio = spectrum.ratio
    tall = (ratio[1:-1] >= ratio[:-2]) & (ratio[1:-1] >= ratio[2:]) & (hidden[1:-1] | hidden[:-2] | hidden[2:])
    middle = np.flatnonzero(tall[SKIRT - 1 : 1 - SKIRT]) + SKIRT
    beside = (ratio[middle - 3] + ratio[middle - 2] + ratio[middle + 2] + ratio[middle + 3]) / 4
    middle = middle[(beside <= limit) & (ratio[middle] > 10 * beside)]
    nearest = at[np.minimum(np.searchsorted((at[1:] + at[:-1]) / 2, middle), len(at) - 1)]
    middle = middle[np.abs(nearest - middle) > SKIRT]
    return np.concatenate([middle - 1, middle, middle + 1])
