"""Spectra under a Hann window: amplitudes of lines, and the density of noise."""

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import rfft

from vibekit.errors import UsageError
from vibekit.reading import Curve

Array = npt.NDArray[np.float64]
_BANDWIDTH = 1.5  # bins that noise fills as a line does: F.J. Harris, Proc. IEEE 66 (1978) 51-83, eq. 11
_BLOCK = 1 << 16  # samples transformed at once: they stay in the cache


def amplitude_spectrum(x: npt.ArrayLike, rate_hz: float, unit: str) -> Curve:
    """Peak amplitude of lines against Hz, of one transform less its mean: a sine of amplitude A on a bin reads A

    x: (n,) float32 or float64 samples in `unit`, all finite, 2 or more; quick where n is a `fast_length`. A line between bins reads up to
    1.42 dB less; at 0 Hz and at half the rate
    a line has no phase to turn and reads its own height. Raises UsageError.
    """
    samples = np.asarray(x)
    n = samples.size
    amplitude = np.sqrt(_mean_square(samples, n))
    amplitude[1 : (n + 1) // 2] *= 2  # half of a line lies at its negative frequency
    return Curve("spectrum", np.arange(n // 2 + 1) * rate_hz / n, amplitude / (n / 2), "Hz", unit, _BANDWIDTH * rate_hz / n)


def welch_psd(x: npt.ArrayLike, rate_hz: float, length: int) -> Array:
    """Mean square a hertz, (length // 2 + 1,) at steps of rate / length from 0: white noise reads its density.

    x: (n,) float32 or float64 samples, all finite; length: of a segment, 2 to n. Segments overlap by half; the mean of the whole is taken
    off once and never that of each, which would smear lines below 1 / length (P.D. Welch, IEEE Trans. AU 15 (1967) 70-73).
    Raises UsageError.
    """
    power = _mean_square(np.asarray(x), length)
    power[1 : (length + 1) // 2] *= 2  # negative frequencies, folded; 0 Hz and half the rate have none
    return power / (length / 2) ** 2 / (_BANDWIDTH * rate_hz / length)


def fast_length(n: int) -> int:
    """Give the largest length up to n whose only prime factors are 2, 3 and 5: its transform is fast. At most 7 % shorter from 1000 on."""
    odd: list[int] = [3**b * 5**c for b in range(21) for c in range(15)]
    return max(q << ((n // q).bit_length() - 1) for q in odd if q <= n)


def _mean_square(x: npt.NDArray[np.floating], length: int) -> Array:
    """Mean of |transform|^2 over the segments; summed in float64 from block to block."""
    if x.ndim != 1 or x.dtype not in (np.float32, np.float64):
        raise UsageError(f"samples are {x.dtype} of shape {x.shape}; they must be float32 or float64 of one channel, shape (n,)")
    if not 2 <= length <= x.size:
        raise UsageError(f"length is {length} samples; it must be from 2 to the record's {x.size}")
    window = np.hanning(length + 1)[:-1].astype(x.dtype)
    offset = x.dtype.type(np.mean(x, dtype=np.float64))
    segments = sliding_window_view(x, length)[:: max(1, round(length / 2))]
    total = np.zeros(2 * (length // 2 + 1))
    rows = max(1, _BLOCK // length)
    block = np.empty((min(rows, len(segments)), length), x.dtype)
    for first in range(0, len(segments), rows):
        part = segments[first : first + rows]
        work = block[: len(part)]
        np.subtract(part, offset, out=work)
        work *= window
        parts = rfft(work, axis=1).view(x.dtype)  # real, imaginary, real, ...
        total += np.einsum("ij,ij->j", parts, parts)
    mean: Array = (total[::2] + total[1::2]) / len(segments)
    if not np.isfinite(mean).all():
        raise UsageError("samples hold values that are not finite; cut them out first")
    return mean
