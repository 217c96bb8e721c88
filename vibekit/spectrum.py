"""Amplitude spectra and power spectral densities: the only place that scales a transform.

Four answers are right for the same samples; a Spectrum says which one it holds:

amplitude  peak amplitude of a line, in the samples' unit: a sine of amplitude A reads A. For lines.
rms        root mean square of a line: A / sqrt(2)
power      its square: mean square of a line
psd        mean square per hertz: a noise of density G reads G whatever the window. For noise, and the only one that may be summed.

At 0 Hz and at half the rate a line has no phase to turn: there amplitude and rms are the same.
"""

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import prev_fast_len, rfft
from scipy.special import gammaincinv

from vibekit.errors import UsageError, check_choice
from vibekit.window import noise_bandwidth, overlap_correlation, window_samples

Array = npt.NDArray[np.float64]
Kind = Literal["amplitude", "rms", "power", "psd"]
KINDS: tuple[str, ...] = get_args(Kind)
Detrend = Literal["mean", "none"]
DETRENDS: tuple[str, ...] = get_args(Detrend)
_BLOCK = 1 << 16  # samples transformed at once: they stay in the cache


@dataclass(frozen=True, slots=True)
class Spectrum:
    """One-sided spectrum of one channel.

    frequency: (n,) Hz, ascending, from 0 unless cut by `band`
    values: (n,) what `kind` says, read-only
    kind: amplitude, rms, power or psd, as at the top of this module
    unit: of the samples
    rate_hz: of the samples
    window, length: name of the window and its length in samples: one transform
    averages, hop: segments averaged (mean square), 1 for one long transform, and the samples from one's start to the next
    resolution_hz: equivalent noise bandwidth of a bin, Hz, window included
    degrees_of_freedom: of a bin that holds only noise, overlap counted (chi-square)
    """

    frequency: Array
    values: Array
    kind: Kind
    unit: str
    rate_hz: float
    window: str
    length: int
    averages: int
    hop: int
    resolution_hz: float
    degrees_of_freedom: float

    @property
    def value_unit(self) -> str:
        """Unit of the values: that of the samples, its square, or its square per hertz."""
        return {"amplitude": self.unit, "rms": f"{self.unit} rms", "power": f"({self.unit})²", "psd": f"({self.unit})²/Hz"}[self.kind]

    @property
    def step_hz(self) -> float:
        """Distance between two bins, Hz."""
        return self.rate_hz / self.length

    def to(self, kind: Kind) -> "Spectrum":
        """Give the same spectrum scaled as another kind."""
        check_choice("kind", kind, KINDS)
        crest = np.where(self._turning, 2.0, 1.0)  # amplitude^2 / mean square
        values = self.values
        if self.kind == "amplitude":
            values = values**2 / crest
        elif self.kind == "rms":
            values = values**2
        elif self.kind == "psd":
            values = values * self.resolution_hz
        if kind == "amplitude":
            values = np.sqrt(values * crest)
        elif kind == "rms":
            values = np.sqrt(values)
        elif kind == "psd":
            values = values / self.resolution_hz
        return replace(self, values=_frozen(values), kind=kind)

    def band(self, low_hz: float, high_hz: float) -> "Spectrum":
        """Give the bins from low_hz to high_hz, both included.

        Raises UsageError when there is none.
        """
        first, last = np.searchsorted(self.frequency, low_hz), np.searchsorted(self.frequency, high_hz, side="right")
        if first >= last:
            ends = f"{self.frequency[0]:g} to {self.frequency[-1]:g} Hz in steps of {self.step_hz:g} Hz"
            raise UsageError(f"band is {low_hz:g} to {high_hz:g} Hz; it must hold a bin of {ends}")
        return replace(self, frequency=self.frequency[first:last], values=self.values[first:last])

    def band_rms(self, low_hz: float, high_hz: float) -> float:
        """Give the root mean square of everything from low_hz to high_hz, in `unit`: the density summed (Parseval)."""
        return float(np.sqrt(self.to("psd").band(low_hz, high_hz).values.sum() * self.step_hz))

    def interval(self) -> tuple[Array, Array]:
        """Give the ends of the 95 % interval of each value, in bins that hold noise.

        Chi-square with `degrees_of_freedom`, half of them at 0 Hz and at half the rate (P.D. Welch, IEEE Trans. AU 15 (1967) 70-73).
        """
        half = np.where(self._turning, self.degrees_of_freedom, self.degrees_of_freedom / 2) / 2
        low, high = half / gammaincinv(half, 0.975), half / gammaincinv(half, 0.025)
        if self.kind in ("amplitude", "rms"):
            low, high = np.sqrt(low), np.sqrt(high)
        return self.values * low, self.values * high

    def noise_floor(self, width_hz: float) -> "Spectrum":
        """Estimate what the bins would hold without lines: the median over `width_hz` about each, corrected to the mean of noise.

        Lines must fill less than half of the bins of such a stretch. Medians of adjoining stretches are joined by straight lines.
        """
        power = self.to("power").values
        count = max(1, round(power.size * self.step_hz / width_hz))
        edges = np.linspace(0, power.size, count + 1).astype(int)
        middle = [(a + b - 1) / 2 for a, b in pairwise(edges)]
        median = [float(np.median(power[a:b])) for a, b in pairwise(edges)]
        half = self.degrees_of_freedom / 2
        mean = np.interp(np.arange(power.size), middle, median) * half / gammaincinv(half, 0.5)
        return replace(self, values=_frozen(mean), kind="power").to(self.kind)

    @property
    def _turning(self) -> npt.NDArray[np.bool_]:
        return (self.frequency > 0) & (self.frequency < self.rate_hz / 2)


def amplitude_spectrum(
    x: npt.ArrayLike,
    rate_hz: float,
    *,
    unit: str,
    window: str = "hann",
    length: int | None = None,
    overlap: float = 0.5,
    detrend: Detrend = "mean",
) -> Spectrum:
    """Peak amplitude of lines against frequency.

    x: (n,) float32 or float64 samples of one channel, all finite
    length: samples a segment, 2 to n; segments are averaged in mean square. None: one transform of `scipy.fft.prev_fast_len` samples
    overlap: part of a segment shared with the next, 0 to below 1
    detrend: "mean" subtracts the mean of the whole record once, never of each segment; "none" leaves it

    Lines are read without loss on a bin; between bins up to the window's flatness lower, see `vibekit.peak`.
    Raises UsageError for samples or settings that are not allowed.
    """
    x = np.asarray(x)
    if length is None:
        length = prev_fast_len(x.size, real=True)
    return _spectrum(x, rate_hz, length, overlap, window, detrend, unit).to("amplitude")


def welch_psd(
    x: npt.ArrayLike,
    rate_hz: float,
    length: int,
    *,
    unit: str,
    overlap: float = 0.5,
    window: str = "hann",
    detrend: Detrend = "mean",
) -> Spectrum:
    """Power spectral density by averaged segments (Welch 1967); arguments as for `amplitude_spectrum`."""
    return _spectrum(np.asarray(x), rate_hz, length, overlap, window, detrend, unit).to("psd")


def _spectrum(x: npt.NDArray[np.floating], rate_hz: float, length: int, overlap: float, window: str, detrend: str, unit: str) -> Spectrum:
    if x.ndim != 1 or x.dtype not in (np.float32, np.float64):
        raise UsageError(f"samples are {x.dtype} of shape {x.shape}; they must be float32 or float64 of one channel, shape (n,)")
    if not (np.isfinite(rate_hz) and rate_hz > 0):
        raise UsageError(f"rate is {rate_hz} Hz; it must be above 0")
    if not 2 <= length <= x.size:
        raise UsageError(f"length is {length} samples; it must be from 2 to the record's {x.size}")
    if not 0 <= overlap < 1:
        raise UsageError(f"overlap is {overlap:g}; it must be from 0 to below 1")
    check_choice("detrend", detrend, DETRENDS)
    shape = window_samples(window, length)
    hop = max(1, round(length * (1 - overlap)))
    segments = sliding_window_view(x, length)[::hop]
    count = len(segments)
    power = _mean_square(segments, shape.astype(x.dtype), float(np.mean(x, dtype=np.float64)) if detrend == "mean" else 0.0)
    if not np.isfinite(power).all():
        raise UsageError("samples hold values that are not finite; cut them out first")
    power[1 : (length + 1) // 2] *= 2  # negative frequencies, folded; 0 Hz and half the rate have none
    lag = np.arange(1, min(count, -(-length // hop)))
    shared = np.array([overlap_correlation(shape, int(j) * hop) for j in lag])
    repeated = float(2 * (1 - lag / count) @ shared**2)
    return Spectrum(
        frequency=_frozen(np.arange(length // 2 + 1) * rate_hz / length),
        values=_frozen(power / shape.sum() ** 2),
        kind="power",
        unit=unit,
        rate_hz=rate_hz,
        window=window,
        length=length,
        averages=count,
        hop=hop,
        resolution_hz=noise_bandwidth(shape) * rate_hz / length,
        degrees_of_freedom=2 * count / (1 + repeated),
    )


def _mean_square(segments: npt.NDArray[np.floating], shape: npt.NDArray[np.floating], offset: float) -> Array:
    """Mean of |transform|^2 over the rows, each less `offset` and times `shape`; summed in float64 from block to block."""
    count, length = segments.shape
    total = np.zeros(2 * (length // 2 + 1))
    rows = max(1, _BLOCK // length)
    block = np.empty((min(rows, count), length), shape.dtype)
    for first in range(0, count, rows):
        part = segments[first : first + rows]
        work = block[: len(part)]
        np.subtract(part, shape.dtype.type(offset), out=work)
        work *= shape
        parts = rfft(work, axis=1).view(shape.dtype)  # real, imaginary, real, ...
        total += np.einsum("ij,ij->j", parts, parts)
    mean: Array = (total[::2] + total[1::2]) / count
    return mean


def _frozen(values: Array) -> Array:
    values.flags.writeable = False
    return values
