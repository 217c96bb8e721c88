"""A channel looked at once: what the detectors of screening share."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.floating]
BLOCK_S = 0.005  # a knock is seen in one or two such blocks
LEAST = 64  # samples below which nothing can be said


@dataclass(frozen=True, slots=True)
class Overview:
    """Coarse facts about one channel.

    row: its row in the recording; x: (n,) the samples; rate_hz: samples a second
    low, high, mean: over the record, in the samples' unit
    step: distance of neighbouring values the file holds (quantisation), 0 when none shows
    block: samples in a block; level, rms, peak: (n // block,) mean of a block, rms and largest magnitude about that mean
    """

    row: int
    x: Floats
    rate_hz: float
    low: float
    high: float
    mean: float
    step: float
    block: int
    level: Floats
    rms: Floats
    peak: Floats

    @classmethod
    def of(cls, x: Floats, rate_hz: float, row: int = 0) -> "Overview":
        """Look at `x` (n,) once; n at least LEAST."""
        block = max(min(round(BLOCK_S * rate_hz), x.size // 16), 4)
        rows = x[: x.size // block * block].reshape(-1, block)
        level = rows.mean(axis=1)
        top, bottom = rows.max(axis=1), rows.min(axis=1)
        centre = level.mean(dtype=np.float64).astype(x.dtype)
        apart = rows - centre  # a large offset would eat the digits of a float32 square
        square = np.einsum("ij,ij->i", apart, apart) / block
        rms = np.sqrt(np.maximum(square - (level - centre) ** 2, 0))
        peak = np.maximum(top - level, level - bottom)
        low, high = min(bottom.min(), x[-1]), max(top.max(), x[-1])
        return cls(row, x, rate_hz, float(low), float(high), float(centre), quantisation_step(x), block, level, rms, peak)

    @property
    def seconds(self) -> float:
        """Length, seconds."""
        return self.x.size / self.rate_hz

    def slots(self, seconds: float, samples: int) -> tuple[int, Floats, Floats]:
        """Join blocks: samples in a slot of about `seconds` and at least `samples`, then mean and rms about it of each slot."""
        join = max(round(seconds * self.rate_hz / self.block), -(-samples // self.block), 1)
        count = self.rms.size // join
        level = self.level[: count * join].reshape(count, join)
        rms = self.rms[: count * join].reshape(count, join)
        mean = level.mean(axis=1)
        spread = np.sqrt((rms**2).mean(axis=1) + ((level - mean[:, None]) ** 2).mean(axis=1))
        return join * self.block, mean, spread


def quantisation_step(x: Floats) -> float:
    """Distance of neighbouring values that the samples can take; 0 when they look continuous.

    All differences of some thousand samples must be whole multiples of the smallest one.
    """
    values = np.unique(x[:: max(x.size // 8192, 1)]).astype(np.float64)
    if values.size < 2:
        return 0.0
    apart = np.diff(values)
    step = float(apart.min())
    times = apart / step
    return step if np.all(np.abs(times - np.round(times)) < 0.02 * np.maximum(1, times / 50)) else 0.0
