"""A record read at any times: a band-limited kernel whose images lie below -80 dB."""

from functools import cache

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.long_transform import Real, long_irfft
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
TAPS = 6
FINER = 4.0  # grid points to a cut-off's period: twice the least
SHAPE = np.pi * np.sqrt((TAPS * (1 - 1 / FINER)) ** 2 - 0.8)  # Beatty et al., IEEE Trans. Med. Imaging 24 (2005) 799-808, eq. 5
DEGREE = 6  # of the polynomials that make the kernel, one between each two grid points
BLOCK = 1 << 14  # points read at once: they stay in the cache


def read_at(transform: Transform, at_s: Array, cutoff_hz: float) -> Real:
    """What lies below `cutoff_hz` of a record, at times at_s (n,) from its start to its end in seconds. Shape (n,).

    Kaiser-Bessel kernel of TAPS points on a grid of twice the least rate, its fall within the band made good in the spectrum (J.A.
    Fessler and B.P. Sutton, IEEE Trans. Signal Process. 51 (2003) 560-574): errors stay below -95 dB. Beyond its ends the record is
    taken to repeat, as its transform does.
    """
    grid, rate = _grid(transform, min(cutoff_hz, transform.rate_hz / 2))
    return pieced(grid, at_s * rate, _kernel())


def pieced(grid: Real, place: Array, powers: Array) -> Real:
    """A grid (m,) read at places (n,) from 0 to m by piecewise polynomials; beyond its ends it repeats.

    powers: (degree + 1, taps) what each of the points about a place counts in each power of the way past the last, highest first
    """
    taps = powers.shape[1]
    around, powers = np.pad(grid, taps, mode="wrap")[taps // 2 + 1 :], powers.astype(grid.dtype)
    near = np.empty((taps, min(len(place), BLOCK)), grid.dtype)
    out = np.empty(len(place), grid.dtype)
    for first in range(0, len(place), BLOCK):
        at = place[first : first + BLOCK]
        last = at.astype(np.intp)
        past = (at - last).astype(grid.dtype)
        for tap, row in enumerate(near[:, : len(at)]):
            around[tap:].take(last, out=row, mode="clip")
        total, *lower = powers @ near[:, : len(at)]
        for each in lower:
            total *= past
            total += each
        out[first : first + BLOCK] = total
    return out


def _grid(transform: Transform, cutoff_hz: float) -> tuple[Real, float]:
    """The band on its grid, each bin divided by what the kernel makes of it."""
    m = sfft.next_fast_len(int(np.ceil(FINER * cutoff_hz / transform.resolution_hz)), real=True)
    top = min(transform.index(cutoff_hz) + 1, m // 2 + 1)
    grid = long_irfft(transform.bins[:top] * (1 / _response(np.arange(top) / m)).astype(transform.bins.real.dtype), m)
    grid *= grid.dtype.type(m / transform.n)
    return grid, transform.rate_hz * m / transform.n


@cache
def _kernel() -> Array:
    """Polynomials of the kernel at each of TAPS points about a place, -110 dB and less off: (DEGREE + 1, TAPS), see `pieced`."""
    past = (1 - np.cos(np.linspace(0, np.pi, 64))) / 2
    offset = np.arange(TAPS) - (TAPS // 2 - 1) - past[:, None]
    inside = np.maximum(1 - (2 * offset / TAPS) ** 2, 0.0)
    return np.asarray(np.polyfit(past, np.i0(SHAPE * np.sqrt(inside)) / TAPS, DEGREE))


def _response(cycles: Array) -> Array:
    """Transform of the kernel at frequencies in cycles a grid point: sinh(z) / z, z = sqrt(shape^2 - (pi taps f)^2)."""
    z = np.sqrt(SHAPE**2 - (np.pi * TAPS * cycles) ** 2)
    return np.asarray(np.sinh(z) / z)
