"""The lowest band of a channel, finely resolved: for hum and wind."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.screen.overview import Floats
from vibekit.window import window_samples

RATE_HZ = 2000.0
SEGMENT_S = 8.0
LEAST_S = 2.0


@dataclass(frozen=True, slots=True)
class SlowSpectrum:
    """Mean power of Hann-weighted segments of the record at about RATE_HZ, unscaled but for `share`.

    frequency: (n,) Hz; power: (n,); segments: how many were averaged; variance: of the slow signal, in the samples' unit squared
    """

    frequency: npt.NDArray[np.float64]
    power: Floats
    segments: int
    variance: float

    @classmethod
    def of(cls, x: Floats, rate_hz: float) -> "SlowSpectrum | None":
        """Spectrum of `x`, None when it is shorter than LEAST_S."""
        join = max(int(rate_hz / RATE_HZ), 1)
        slow = x[: x.size // join * join].reshape(-1, join) @ np.full(join, 1 / join, x.dtype) if join > 1 else x
        rate = rate_hz / join
        if slow.size < LEAST_S * rate:
            return None
        slow = slow - slow.mean()
        n = sfft.prev_fast_len(min(int(SEGMENT_S * rate), slow.size), real=True)
        starts = np.linspace(0, slow.size - n, max(2 * slow.size // n - 1, 1)).astype(int)
        window = window_samples("hann", n).astype(slow.dtype)
        bins = sfft.rfft(np.stack([slow[a : a + n] for a in starts]) * window, axis=1)
        power = (bins.real**2 + bins.imag**2).mean(axis=0)
        return cls(np.arange(power.size) * rate / n, power, len(starts), float(slow.var()))
