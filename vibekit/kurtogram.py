"""In which band a record is most impulsive: kurtosis of the complex envelope over a tree of ever narrower bands."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.long_transform import Complex
from vibekit.median import MEDIAN_ERROR
from vibekit.normal import Z95
from vibekit.orders import RANGES

Array = npt.NDArray[np.float64]
DIVISIONS = (1, 2, 3, 4, 6, 8, 12, 16, 24, 32)  # Antoni, Mech. Syst. Signal Process. 21 (2007) 108-124: halves and thirds in turn
SEGMENT = 4096  # samples of the whole band's envelope, looked at together
SEGMENTS = 32  # at most, evenly through the record: kurtosis is that of the machine, not of each second
FEWEST = 64  # samples of a band in a segment; the estimate scatters by 2 over their root


@dataclass(frozen=True, slots=True)
class Kurtogram:
    """low_hz, high_hz: (n,) edges of the bands; excess: (n,) kurtosis of their envelope less that of Gaussian noise; u95: (n,)."""

    low_hz: Array
    high_hz: Array
    excess: Array
    u95: Array

    @property
    def band_hz(self) -> tuple[float, float] | None:
        """The band that is most impulsive for certain, greatest at the lower end of its interval; None where no band is."""
        least = self.excess - self.u95
        best = int(np.argmax(least))
        return (float(self.low_hz[best]), float(self.high_hz[best])) if least[best] > 0 else None


def kurtogram(
    analytic: Complex, rate_hz: float, band_hz: tuple[float, float], *, narrowest_hz: float, leave_out_s: RANGES = ()
) -> Kurtogram | None:
    """Fast kurtogram of Antoni (2007) by a filter bank of Fourier transforms, made robust by its median over segments of time.

    analytic: (m,) complex envelope of `band_hz` at its own rate; narrowest_hz: bands are no narrower, so that they hold what is to be
    found in their envelope. Clicks that less than half of the segments hold move it little. Kurtosis without bias and its variance of
    4 / n: Vrabie, Granjon & Serviere, IEEE-EURASIP Workshop NSIP (2003), from memory. None when the record is shorter than a segment,
    or the whole band is narrower than what it must hold.
    """
    count = len(analytic) // SEGMENT
    kept = [i for i in range(count) if not any(a * rate_hz < (i + 1) * SEGMENT and i * SEGMENT < b * rate_hz for a, b in leave_out_s)]
    kept = kept[:: -(-len(kept) // SEGMENTS)] if kept else kept
    if not kept:
        return None
    bins = sfft.fft(analytic[: count * SEGMENT].reshape(count, SEGMENT)[kept], axis=1)
    edges, values = [], []
    for parts in DIVISIONS:
        n = SEGMENT // parts
        if n < FEWEST or (parts > 1 and rate_hz / parts < narrowest_hz):
            break
        power = sfft.ifft(bins[:, : n * parts].reshape(len(kept), parts, n), axis=2)
        power = power.real**2 + power.imag**2
        total, square = power.sum(axis=2), np.einsum("ijk,ijk->ij", power, power)
        excess = n / (n - 1) * ((n + 1) * square / np.maximum(total, np.finfo(np.float32).tiny) ** 2 - 2)
        values.append(np.stack([np.median(excess, axis=0), np.full(parts, Z95 * MEDIAN_ERROR * 2 / np.sqrt(n * len(kept)))]))
        at = np.arange(parts) * n * rate_hz / SEGMENT
        edges.append(np.minimum(band_hz[0] + np.stack([at, at + n * rate_hz / SEGMENT]), band_hz[1]))
    low, high = np.concatenate(edges, axis=1)
    excess, u95 = np.concatenate(values, axis=1)
    full = high - low > narrowest_hz / 2  # the last of many may hold little more than padding
    return Kurtogram(low[full], high[full], excess[full], u95[full]) if full.any() else None
