"""Windows: cosine sums in periodic form, and what a window does to a line and to noise."""

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import cast

import numpy as np
import numpy.typing as npt
from scipy.fft import rfft

from vibekit.errors import check_choice
from vibekit.long_transform import Complex

Array = npt.NDArray[np.float64]
SHORT = 1 << 16  # samples; longer windows are not kept, for their memory

# Of the Hann window, which nearly everything here uses (Harris 1978, as below)
HANN_POWER = 3 / 8  # mean square of the window
HANN_NENBW = 1.5  # noise bandwidth, bins: those that one independent estimate takes (eq. 11)
HANN_LIKENESS = 1 + 2 * (4 / 9 + 1 / 36)  # sum of the correlations of a bin's power with its neighbours' (section IV.B)
OVERLAP_WORTH = 0.75  # independent blocks gained from one that half overlaps the last: their correlation is 1/6 (eq. 17)

# Coefficients c of w(n) = c0 - c1 cos(2 pi n/N) + c2 cos(4 pi n/N) - ...
# Hann to Blackman-Harris: F.J. Harris, Proc. IEEE 66 (1978) 51-83. nuttall4b: A.H. Nuttall, IEEE Trans. ASSP 29 (1981) 84-91.
# sft..., ft..., hft... are flat tops: G. Heinzel, A. Ruediger, R. Schilling, "Spectrum and spectral density estimation by the DFT",
# AEI Hannover, 2002, appendix C. flat-top and flat-top-iso: the five-term forms used by analysers, the second that of ISO 18431-2.
COEFFICIENTS: dict[str, tuple[float, ...]] = {
    "rectangular": (1.0,),
    "hann": (0.5, 0.5),
    "hamming": (0.54, 0.46),
    "blackman": (0.42, 0.5, 0.08),
    "blackman-harris": (0.35875, 0.48829, 0.14128, 0.01168),
    "nuttall4b": (0.355768, 0.487396, 0.144232, 0.012604),
    "sft3f": (0.26526, 0.5, 0.23474),
    "sft5f": (0.1881, 0.36923, 0.28702, 0.13077, 0.02488),
    "ftni": (0.2810639, 0.5208972, 0.1980399),
    "fthp": (1.0, 1.912510941, 1.079173272, 0.1832630879),
    "ftsrs": (1.0, 1.93, 1.29, 0.388, 0.028),
    "flat-top": (0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368),
    "flat-top-iso": (1.0, 1.933, 1.286, 0.388, 0.0322),
    "hft70": (1.0, 1.90796, 1.07349, 0.18199),
    "hft95": (1.0, 1.9383379, 1.3045202, 0.4028270, 0.0350665),
    "hft90d": (1.0, 1.942604, 1.340318, 0.440811, 0.043097),
    "hft144d": (1.0, 1.96760033, 1.57983607, 0.81123644, 0.22583558, 0.02773848, 0.00090360),
    "hft248d": (1.0, 1.985844164102, 1.791176438506, 1.282075284005, 0.667777530266, 0.240160796576, 0.056656381764,
                0.008134974479, 0.000624544650, 0.000019808998, 0.000000132974),
}  # fmt: skip


def window_samples(name: str, n: int) -> Array:
    """Give the n samples of a window in periodic (DFT-even) form: sample n would repeat sample 0. They are not to be written to.

    Raises UsageError for a name that is not in COEFFICIENTS.
    """
    check_choice("window", name, COEFFICIENTS)
    return _kept(name, n) if n <= SHORT else _made(name, n)


@lru_cache(16)  # a live picture asks for the same one more than a hundred times a second
def _kept(name: str, n: int) -> Array:
    samples = _made(name, n)
    samples.flags.writeable = False
    return samples


def _made(name: str, n: int) -> Array:
    c = COEFFICIENTS[name]
    half = n // 2 + 1  # the rest mirrors it
    x = -np.cos(2 * np.pi / n * np.arange(half)) if len(c) > 1 else np.zeros(half)
    later, latest = np.zeros(half), np.zeros(half)
    for a in c[:0:-1]:  # Clenshaw's recurrence for sum of c_k T_k(x)
        later, latest = 2 * x * later - latest + a, later
    first = x * later - latest + c[0]
    return np.concatenate([first, first[1 : n - half + 1][::-1]])


def hann_windowed(bins: Complex, band: slice) -> Complex:
    """Bins of a band of a transform, as if its record had been Hann windowed: three neighbours weighed 1/4, 1/2, 1/4."""
    wide = bins[band.start - 1 : band.stop + 1]
    return cast("Complex", np.diff(wide, 2) * wide.dtype.type(-0.25))


def kernel(name: str, offset: npt.ArrayLike) -> Array:
    """Height of a line `offset` bins from a bin, relative to a line on the bin, for long windows (negative in odd side lobes)."""
    check_choice("window", name, COEFFICIENTS)
    c = COEFFICIENTS[name]
    side = np.array(c[1:]) / 2 / c[0]
    height = np.concatenate([side[::-1], [1.0], side])
    return np.asarray(np.sinc(np.asarray(offset)[..., None] - np.arange(1 - len(c), len(c))) @ height)


def coherent_gain(samples: Array) -> float:
    """Mean of the window: what it does to the height of a line on a bin."""
    return float(np.mean(samples))


def noise_bandwidth(samples: Array) -> float:
    """Equivalent noise bandwidth in bins, n sum(w^2) / sum(w)^2 (Harris 1978, eq. 11)."""
    return float(samples.size * np.dot(samples, samples) / np.sum(samples) ** 2)


def overlap_correlation(samples: Array, hop: int) -> float:
    """Correlation of white noise in two windowed segments that start `hop` samples apart (Harris 1978, eq. 17)."""
    return float(np.dot(samples[hop:], samples[: samples.size - hop]) / np.dot(samples, samples)) if hop < samples.size else 0.0


@dataclass(frozen=True, slots=True)
class WindowFigures:
    """What a window does, as handbooks tabulate it.

    coherent_gain: height of a line on a bin; noise_bandwidth: bins
    flatness_db: largest error of a line's height within half a bin, dB with its sign (a falling window: the scallop loss)
    width_3db: bins, full width at exactly -3 dB as in Heinzel 2002 (half power is 3.0103 dB)
    side_lobe_db: highest side lobe, dB
    """

    coherent_gain: float
    noise_bandwidth: float
    flatness_db: float
    width_3db: float
    side_lobe_db: float

    @property
    def processing_loss_db(self) -> float:
        """Worst-case loss of a line against noise, dB: scallop loss and noise bandwidth together (Harris 1978, section IV.F)."""
        return -self.flatness_db + 10 * math.log10(self.noise_bandwidth)


def window_figures(samples: Array, reach: int = 64) -> WindowFigures:
    """Measure a window given as samples; side lobes are sought within `reach` bins of the main lobe's centre."""
    centred = np.arange(samples.size) - samples.size / 2

    def height(bins: Array) -> Array:
        wave = np.exp(-2j * np.pi / samples.size * np.outer(bins, centred))
        return np.asarray(np.abs(wave @ samples)) / abs(float(np.sum(samples)))

    def decibel(bins: Array) -> Array:
        return 20 * np.log10(np.maximum(height(bins), 1e-300))

    near = decibel(np.linspace(0, 0.5, 129))
    padded = np.abs(rfft(samples, 16 * samples.size)[: 16 * reach])
    coarse = 20 * np.log10(np.maximum(padded / padded[0], 1e-300))  # 16 points a bin
    valley = int(np.argmax((coarse[1:-1] <= coarse[:-2]) & (coarse[1:-1] < coarse[2:]) & (coarse[1:-1] < -10))) + 1
    top = valley + int(np.argmax(coarse[valley:]))
    fine = decibel((top + np.arange(-32, 33) / 32) / 16)
    edge = int(np.argmax(coarse < -3))
    slope = np.linspace(edge - 1, edge, 257) / 16
    return WindowFigures(
        coherent_gain=coherent_gain(samples),
        noise_bandwidth=noise_bandwidth(samples),
        flatness_db=float(near[np.argmax(np.abs(near))]),
        width_3db=2 * float(np.interp(3.0, -decibel(slope), slope)),
        side_lobe_db=float(np.max(fine)),
    )
