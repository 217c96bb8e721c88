"""Power of a channel against time and frequency, coarsely."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.screen.overview import Floats
from vibekit.screen.steady import Span

FRAME_S = 0.04  # holds some turns of a fast shaft; bins 25 Hz apart
LEAST_FRAME = 32
GROUP = 4  # frames averaged in one row
CHUNK = 16  # rows transformed at once: they stay in the cache


@dataclass(frozen=True, slots=True)
class Frames:
    """Squared magnitudes of Hann-weighted frames side by side, unscaled: only ratios of them mean anything.

    power: (rows, frame // 2 + 1), a row the mean of `hop / frame` frames; frame, hop: samples in a frame and a row
    """

    power: Floats
    frame: int
    hop: int
    rate_hz: float

    @classmethod
    def of(cls, x: Floats, rate_hz: float) -> "Frames":
        """Frames of `x` (n,), n at least LEAST_FRAME."""
        frame = max(2 ** round(np.log2(FRAME_S * rate_hz)), LEAST_FRAME)
        frame = min(frame, 2 ** int(np.log2(x.size)))
        count = x.size // frame
        group = GROUP if count >= 4 * GROUP else 1
        window = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(frame) + 0.5) / frame)).astype(x.dtype)
        rows = x[: count // group * group * frame].reshape(-1, frame)
        found = []
        for at in range(0, len(rows), CHUNK * group):
            bins = sfft.rfft(rows[at : at + CHUNK * group] * window, axis=1)
            power = bins.real**2 + bins.imag**2
            found.append(power.reshape(-1, group, power.shape[1]).mean(axis=1))
        return cls(np.concatenate(found), frame, frame * group, rate_hz)

    @property
    def frequency(self) -> npt.NDArray[np.float64]:
        """Hz of the columns."""
        return np.arange(self.frame // 2 + 1) * self.rate_hz / self.frame

    def inside(self, part: Span) -> Floats:
        """Rows wholly inside `part`; all of them when that leaves fewer than four."""
        first, last = -(-part[0] // self.hop), part[1] // self.hop
        return self.power[first:last] if last - first >= 4 else self.power
