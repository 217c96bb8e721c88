"""Long transforms in four steps (D.H. Bailey, J. Supercomputing 4 (1990) 23-35): many short ones side by side stay in the cache, where one
long one does not.
"""

from itertools import accumulate, repeat
from typing import cast

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

Complex = npt.NDArray[np.complex64] | npt.NDArray[np.complex128]
Real = npt.NDArray[np.float32] | npt.NDArray[np.float64]
LONG = 1 << 16  # samples from which it pays
NARROW, LOPSIDED = 0.5, 32  # of the root of the length, the fastest split found; and the worst that still pays


def long_rfft(x: Real) -> Complex:
    """Unnormalised one-sided transform (n // 2 + 1,) of `x` (n,)."""
    n = x.size
    few = _few(n)
    if not few:
        return cast("Complex", sfft.rfft(x))
    many, half = n // few, few // 2
    parts = _turned(sfft.rfft(x.reshape(few, many), axis=0), n, -1)
    parts = sfft.fft(parts, axis=1, overwrite_x=True)  # row k, column l: the bin k + few l
    rows = n // 2 // few + 1
    bins = np.empty((rows, few), parts.dtype)
    bins[:, : half + 1] = parts[:, :rows].T
    np.conjugate(parts[few - half - 1 : 0 : -1, many - 1 : many - 1 - rows : -1].T, out=bins[:, half + 1 :])
    return cast("Complex", bins.ravel()[: n // 2 + 1])


def long_irfft(bins: Complex, n: int) -> Real:
    """Inverse (n,) of a one-sided transform, over n. bins: (n // 2 + 1,) or fewer, the others being 0."""
    few = _few(n)
    if not few:
        return cast("Real", sfft.irfft(bins, n))
    many, half, rows = n // few, few // 2, n // 2 // few + 1
    given = np.zeros((rows, few), bins.dtype)  # row l, column k: the bin k + few l
    given.ravel()[: bins.size] = bins
    last = n // 2 - few * (rows - 1)  # column of the last bin; what lies above is the mirror of what lies below
    parts = np.empty((half + 1, many), bins.dtype)
    parts[:, :rows] = given[:, : half + 1].T
    parts[last + 1 :, rows - 1] = given[many - rows, few - half : few - last][::-1].conj()
    parts[0, rows:] = given[many - rows : 0 : -1, 0].conj()
    np.conjugate(given[many - 1 - rows :: -1, few - 1 : few - half - 1 : -1].T, out=parts[1:, rows:])
    parts = _turned(sfft.ifft(parts, axis=1, overwrite_x=True), n, 1)
    return cast("Real", sfft.irfft(parts, few, axis=0, overwrite_x=True).ravel())


def long_ifft(bins: Complex) -> Complex:
    """Inverse transform (n,) of `bins` (n,), over n."""
    n = bins.size
    few = _few(n)
    if not few:
        return cast("Complex", sfft.ifft(bins))
    parts = _turned(sfft.ifft(bins.reshape(few, n // few), axis=0), n, 1)
    return cast("Complex", sfft.ifft(parts, axis=1, overwrite_x=True).T.ravel())


def _few(n: int) -> int:
    """Into how many a transform is split; 0 where that does not pay."""
    few = max((d for d in range(1, int(NARROW * n**0.5) + 1) if n % d == 0), default=1) if n >= LONG else 0
    return few if few * few * LOPSIDED >= n else 0


def _turned(parts: Complex, n: int, sign: int) -> Complex:
    """Row k, column l turned by k l / n of a turn, in place."""
    some = int(len(parts) ** 0.5) + 1
    turn = np.exp(sign * 2j * np.pi / n * np.arange(parts.shape[1]))
    *powers, step = accumulate(repeat(turn, some), np.multiply, initial=np.ones_like(turn))
    fine, coarse = np.stack(powers).astype(parts.dtype), powers[0]
    for first in range(0, len(parts), some):
        rows = parts[first : first + some]
        np.multiply(rows, fine[: len(rows)], out=rows)
        np.multiply(rows, coarse.astype(parts.dtype), out=rows)
        coarse = coarse * step
    return parts
