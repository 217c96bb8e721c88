"""A record read at any times: a band-limited kernel whose images lie below -80 dB."""

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.long_transform import Real, long_irfft
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
TAPS = 6
FINER = 4.0  # grid points to a cut-off's period: twice the least
SHAPE = np.pi * np.sqrt((TAPS * (1 - 1 / FINER)) ** 2 - 0.8)  # Beatty et al., IEEE Trans. Med. Imaging 24 (2005) 799-808, eq. 5
STEPS = 1024  # of the table of the kernel, to a grid point; straight lines between
BLOCK = 1 << 14


def read_at(transform: Transform, at_s: Array, cutoff_hz: float) -> Real:
    """What lies below `cutoff_hz` of a record, at times at_s (n,) from its start to its end in seconds. Shape (n,).

    Kaiser-Bessel kernel of TAPS points on a grid of twice the least rate, its fall within the band made good in the spectrum (J.A.
    Fessler and B.P. Sutton, IEEE Trans. Signal Process. 51 (2003) 560-574): errors stay below -95 dB. Beyond its ends the record is
    taken to repeat, as its transform does.
    """
    grid, rate = _grid(transform, min(cutoff_hz, transform.rate_hz / 2))
    table = _table().astype(grid.dtype)
    kernel, rise = np.ascontiguousarray(table[:-1].T), np.ascontiguousarray(np.diff(table, axis=0).T)
    around = np.pad(grid, TAPS, mode="wrap")
    out = np.zeros(len(at_s), grid.dtype)
    for first in range(0, len(at_s), BLOCK):
        place = at_s[first : first + BLOCK] * rate
        whole = np.floor(place)
        row = (place - whole) * STEPS
        low = row.astype(np.intp)
        share = (row - low).astype(grid.dtype)
        nearest = whole.astype(np.intp) + TAPS // 2 + 1
        for tap in range(TAPS):
            out[first : first + BLOCK] += (kernel[tap].take(low) + share * rise[tap].take(low)) * around[tap:].take(nearest)
    return out


def _grid(transform: Transform, cutoff_hz: float) -> tuple[Real, float]:
    """The band on its grid, each bin divided by what the kernel makes of it."""
    m = sfft.next_fast_len(int(np.ceil(FINER * cutoff_hz / transform.resolution_hz)), real=True)
    top = min(transform.index(cutoff_hz) + 1, m // 2 + 1)
    grid = long_irfft(transform.bins[:top] / _response(np.arange(top) / m).astype(transform.bins.real.dtype), m)
    grid *= grid.dtype.type(m / transform.n)
    return grid, transform.rate_hz * m / transform.n


def _table() -> Array:
    """Kernel at the TAPS points about a place between two grid points, (STEPS + 2, TAPS); the last row is never reached by itself."""
    offset = np.arange(TAPS) - (TAPS // 2 - 1) - (np.arange(STEPS + 2) / STEPS)[:, None]
    inside = np.maximum(1 - (2 * offset / TAPS) ** 2, 0.0)
    return np.asarray(np.where(inside > 0, np.i0(SHAPE * np.sqrt(inside)), 0.0) / TAPS)


def _response(cycles: Array) -> Array:
    """Transform of the kernel at frequencies in cycles a grid point: sinh(z) / z, z = sqrt(shape^2 - (pi taps f)^2)."""
    z = np.sqrt(SHAPE**2 - (np.pi * TAPS * cycles) ** 2)
    return np.asarray(np.sinh(z) / z)
