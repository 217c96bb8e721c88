"""A record read at any times: band-limited kernels whose images lie far below."""

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.long_transform import Real, long_irfft
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
RISE = 7  # degree in the square of the frequency, of what makes a fall within the band good
BLOCK = 1 << 14  # points read at once: they stay in the cache


@dataclass(frozen=True, slots=True)
class Kernel:
    """Kaiser-Bessel kernel, `taps` grid points wide, an even number, made of polynomials, one between each two grid points.

    finer: grid points to a cut-off's period, 2 at least; degree: of the polynomials
    """

    taps: int
    finer: float
    degree: int

    @property
    def shape(self) -> float:
        """That with the lowest images: Beatty et al., IEEE Trans. Med. Imaging 24 (2005) 799-808, eq. 5."""
        return float(np.pi * np.sqrt((self.taps * (1 - 1 / self.finer)) ** 2 - 0.8))


CLEAN = Kernel(6, 4.0, 6)  # images below -95 dB
QUICK = Kernel(6, 2.5, 5)  # below -60 dB


@cache
def _polynomials(kernel: Kernel) -> Array:
    """What each of the points about a place counts in each power of the way past the last, highest first: (degree + 1, taps)."""
    past = (1 - np.cos(np.linspace(0, np.pi, 64))) / 2
    offset = np.arange(kernel.taps) - (kernel.taps // 2 - 1) - past[:, None]
    inside = np.maximum(1 - (2 * offset / kernel.taps) ** 2, 0.0)
    return np.asarray(np.polyfit(past, np.i0(kernel.shape * np.sqrt(inside)) / kernel.taps, kernel.degree))


@cache
def _rise(kernel: Kernel) -> Array:
    """What makes the kernel's fall good, as a polynomial of the square of the frequency in cycles a grid point, highest power first.

    The kernel's transform is sinh(z) / z, z = sqrt(shape^2 - (pi taps f)^2).
    """
    square = np.linspace(0, 1 / kernel.finer, 64) ** 2
    z = np.sqrt(kernel.shape**2 - (np.pi * kernel.taps) ** 2 * square)
    return np.asarray(np.polyfit(square, z / np.sinh(z), RISE))


def read_at(transform: Transform, at_s: Array, cutoff_hz: float, kernel: Kernel = CLEAN) -> Real:
    """What lies below `cutoff_hz` of a record, at times at_s (n,) from its start to its end in seconds. Shape (n,).

    The kernel's fall within the band is made good in the spectrum (J.A. Fessler and B.P. Sutton, IEEE Trans. Signal Process. 51 (2003)
    560-574). Beyond its ends the record is taken to repeat, as its transform does.
    """
    grid, rate = _grid(transform, min(cutoff_hz, transform.rate_hz / 2), kernel)
    around, powers = np.pad(grid, kernel.taps, mode="wrap")[kernel.taps // 2 + 1 :], _polynomials(kernel).astype(grid.dtype)
    near = np.empty((kernel.taps, min(len(at_s), BLOCK)), grid.dtype)
    out = np.empty(len(at_s), grid.dtype)
    for first in range(0, len(at_s), BLOCK):
        place = at_s[first : first + BLOCK] * rate
        last = place.astype(np.intp)
        past = (place - last).astype(grid.dtype)
        for tap, row in enumerate(near[:, : len(place)]):
            around[tap:].take(last, out=row, mode="clip")
        total, *lower = powers @ near[:, : len(place)]
        for each in lower:
            total *= past
            total += each
        out[first : first + BLOCK] = total
    return out


def _grid(transform: Transform, cutoff_hz: float, kernel: Kernel) -> tuple[Real, float]:
    """The band on its grid, each bin divided by what the kernel makes of it."""
    m = sfft.next_fast_len(int(np.ceil(kernel.finer * cutoff_hz / transform.resolution_hz)), real=True)
    top = min(transform.index(cutoff_hz) + 1, m // 2 + 1)
    kind = transform.bins.real.dtype
    scale = np.polyval((_rise(kernel) * m / transform.n).astype(kind), (np.arange(top, dtype=kind) / kind.type(m)) ** 2)
    return long_irfft(transform.bins[:top] * scale, m), transform.rate_hz * m / transform.n
