"""Spectral lines of a record, and how rarely noise alone makes one like them."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.fft import next_fast_len

from vibekit.spectrum import welch_psd

Array = npt.NDArray[np.float64]
MAINS_HZ = (50.0, 60.0)
MAINS_TOLERANCE = 1e-3  # of 50 or 60 Hz: grids hold a few tenths of this, sound-card clocks a tenth


@dataclass(frozen=True, slots=True)
class Lines:
    """Local maxima of an averaged, whitened spectrum.

    frequency: (n,) Hz, ascending, between bins by a parabola through the logarithms
    excess: (n,) power over the floor around it
    rarity: (n,) minus the logarithm of the part of all maxima that stand as high: Exp(1) in noise of any colour, by construction
    step_hz: distance of two bins; top_hz: highest frequency looked at
    duration_s: of the record, averages: of the spectrum
    """

    frequency: Array
    excess: Array
    rarity: Array
    step_hz: float
    top_hz: float
    duration_s: float
    averages: int

    @property
    def density(self) -> float:
        """Maxima a hertz."""
        return self.frequency.size / self.top_hz

    def best_near(self, frequency_hz: Array, reach_hz: Array) -> npt.NDArray[np.intp]:
        """Index of the rarest line within `reach_hz` of each frequency (any shape), -1 where there is none."""
        first = np.searchsorted(self.frequency, frequency_hz - reach_hz)
        last = np.searchsorted(self.frequency, frequency_hz + reach_hz, side="right")
        best = np.where(last > first, first, -1)
        for offset in range(1, int(np.max(last - first, initial=0))):
            rival = np.minimum(first + offset, self.frequency.size - 1)
            better = (first + offset < last) & (self.rarity[rival] > self.rarity[best])
            best = np.where(better, rival, best)
        return best


def find_lines(signals: list[npt.NDArray[np.floating]], rate_hz: float, seconds: float, top_hz: float) -> Lines | None:
    """Lines of one or several channels taken together (their whitened spectra are averaged); None when the record is too short.

    signals: (n,) samples each; seconds: length of the segments averaged; top_hz: highest frequency of interest
    """
    size = signals[0].size
    length = min(next_fast_len(max(int(seconds * rate_hz), 16), real=True), size)
    if length < 64:
        return None
    white = 0.0
    for signal in signals:
        spectrum = welch_psd(signal, rate_hz, length, unit="")
        power = spectrum.values[: int(top_hz / spectrum.step_hz) + 2]
        white = white + power / _floor(power, spectrum.step_hz)
    assert isinstance(white, np.ndarray)
    white /= len(signals)
    middle = white[1:-1]
    at = np.flatnonzero((middle > white[:-2]) & (middle >= white[2:])) + 1
    at = at[at > 1]
    if at.size < 16:
        return None
    left, centre, right = np.log(white[at - 1]), np.log(white[at]), np.log(white[at + 1])
    shift = 0.5 * (left - right) / (left - 2 * centre + right)
    rank = np.empty(at.size)
    rank[np.argsort(-white[at])] = np.arange(at.size)
    return Lines(
        frequency=(at + shift) * spectrum.step_hz,
        excess=white[at],
        rarity=-np.log((rank + 0.5) / at.size),
        step_hz=spectrum.step_hz,
        top_hz=white.size * spectrum.step_hz,
        duration_s=size / rate_hz,
        averages=spectrum.averages,
    )


def is_mains(frequency_hz: Array, step_hz: float) -> npt.NDArray[np.bool_]:
    """True where a line cannot be told from a harmonic of 50 or 60 Hz mains."""
    near = np.zeros(np.shape(frequency_hz), bool)
    for mains in MAINS_HZ:
        multiple = np.maximum(np.round(frequency_hz / mains), 1)
        near |= np.abs(frequency_hz - multiple * mains) <= multiple * mains * MAINS_TOLERANCE + 0.5 * step_hz
    return near


def _floor(power: Array, step_hz: float) -> Array:
    """Median power around each bin, over stretches that widen with frequency as resonances do."""
    edge = [0]
    while edge[-1] < power.size:
        edge.append(edge[-1] + int(max(24, (12 + 0.06 * edge[-1] * step_hz) / step_hz)))
    edge[-1] = power.size
    if len(edge) > 2 and edge[-1] - edge[-2] < 12:
        edge.pop(-2)
    median = np.array([np.median(power[a:b]) for a, b in zip(edge[:-1], edge[1:], strict=True)])
    middle = np.array([(a + b - 1) / 2 for a, b in zip(edge[:-1], edge[1:], strict=True)])
    tiny = max(float(power.max()) * 1e-15, np.finfo(np.float64).tiny)
    return np.exp(np.interp(np.arange(power.size), middle, np.log(np.maximum(median, tiny))))
