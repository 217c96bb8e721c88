"""One Fourier transform of a record, from which every band is taken."""

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft as sfft

from vibekit.long_transform import LONG, Complex, Real, long_ifft, long_irfft, long_rfft
from vibekit.median import median

USED = 0.45  # part of a sampling rate below which a band is used: what keeps higher frequencies out falls off above
WHITE_HZ = 100.0  # narrower than the rings of a casing, wide against a line
ENOUGH = 2048  # values that tell a median to 2 %
LINE = 4.0  # times the mean power of noise: noise passes it in one bin of 55


@dataclass(frozen=True, slots=True)
class Transform:
    """Unnormalised one-sided transform of a real record without its mean.

    bins: (n // 2 + 1,) complex, at multiples of rate_hz / n; n: samples used, a fast length (the last few may be left out)
    """

    bins: Complex
    n: int
    rate_hz: float

    @classmethod
    def of(cls, x: Real, rate_hz: float) -> "Transform":
        """Transform of `x` (n,), cut to the next shorter fast length."""
        n = sfft.prev_fast_len(len(x), real=True)
        return cls(long_rfft(x[:n] - x[:n].mean()), n, rate_hz)

    @property
    def resolution_hz(self) -> float:
        """Distance of two bins, Hz."""
        return self.rate_hz / self.n

    def index(self, frequency_hz: float) -> int:
        """Nearest bin, held inside the record's band."""
        return int(min(max(round(frequency_hz / self.resolution_hz), 0), len(self.bins) - 1))

    def low_band(self, cutoff_hz: float) -> tuple[Real, float]:
        """The record below `cutoff_hz` at a lower rate: samples (m,) and their rate.

        The rate is at least 2.5 times the cut-off, so that a spline between samples errs below -60 dB at the cut-off.
        """
        m = sfft.next_fast_len(int(min(np.ceil(2.5 * cutoff_hz / self.resolution_hz), self.n)), real=True)
        if m >= self.n:
            return long_irfft(self.bins, self.n), self.rate_hz
        low = long_irfft(self.bins[: min(self.index(cutoff_hz), m // 2) + 1], m)
        low *= low.dtype.type(m / self.n)
        return low, self.rate_hz * m / self.n

    def analytic(self, low_hz: float, high_hz: float) -> tuple[Complex, float]:
        """Complex envelope of a band and its rate."""
        low, high = self.index(low_hz), self.index(high_hz)
        band = self.bins[low : max(high, low + 8)]
        whole = np.zeros(sfft.next_fast_len(len(band), real=len(band) > LONG), band.dtype)  # factors of 7 and 11 cost long ones a tenth
        np.multiply(band, band.real.dtype.type(2 * whole.size / self.n), out=whole[: len(band)])
        return long_ifft(whole), self.rate_hz * whole.size / self.n

    def whitened(self, low_hz: float, high_hz: float) -> "Transform":
        """A band's bins over the noise about them, so that no resonance outweighs the rest, lines held at the height of noise; else 0.

        Cepstrum pre-whitening (Borghesani et al., Mech. Syst. Signal Process. 36 (2013) 370-384) holds every bin at 1, which costs a
        quarter of what two bins of noise have in common.
        """
        low, high = self.index(low_hz), self.index(high_hz)
        band = slice(low, max(high, low + 8))
        bins = np.zeros_like(self.bins)
        np.multiply(self.bins[band], _whitening(self.bins[band], max(int(WHITE_HZ / self.resolution_hz), 16)), out=bins[band])
        return replace(self, bins=bins)


def _whitening(band: Complex, block: int) -> Real:
    """What brings bins (n,) over the root of the noise power about them; what stands above LINE times it is held at 1."""
    power = band.real**2 + band.imag**2
    floor = running_floor(power, block)
    floor /= math.log(2)
    np.maximum(floor, np.finfo(power.dtype).tiny, out=floor)
    np.copyto(floor, power, where=power > LINE * floor)
    return np.divide(1, np.sqrt(floor, out=floor), out=floor)


def running_floor(values: Real, block: int) -> Real:
    """Median over blocks of `block` values, joined by straight lines at the block centres. values: (n,); result (n,)."""
    count = len(values) // block
    floor = np.empty_like(values)
    if count < 2:
        floor[:] = median(values) if len(values) else 0.0
        return floor
    some = slice(None, None, max(block // ENOUGH, 1))
    middle = median(values[: count * block].reshape(count, block)[:, some])
    first = (block + 1) // 2  # the first index at a centre or after it
    between = ((np.arange(block) + first - block / 2) / block).astype(values.dtype)
    floor[:first] = middle[0]
    lines = floor[first : first + (count - 1) * block].reshape(count - 1, block)
    np.multiply.outer(np.diff(middle), between, out=lines)
    lines += middle[:-1, None]
    floor[first + (count - 1) * block :] = middle[-1]
    return floor
