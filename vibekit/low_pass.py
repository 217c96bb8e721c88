"""The filter in a sensor, as its owner states it."""

import math
from dataclasses import dataclass

from vibekit.errors import UsageError


@dataclass(frozen=True, slots=True)
class LowPass:
    """A low-pass filter that falls as a Butterworth filter does. corner_hz: half power; order: 1 to 8."""

    corner_hz: float
    order: int = 1

    def __post_init__(self) -> None:
        if not (0 < self.corner_hz < 1e6 and 1 <= self.order <= 8):
            raise UsageError(f"sensor filter is {self.corner_hz:g} Hz of order {self.order}; a corner above 0 Hz and an order from 1 to 8")

    def gain(self, hz: float) -> float:
        """Amplitude let through at a frequency: 1 / sqrt(1 + (f / corner)^(2 order)) (S. Butterworth, Exp. Wireless 7 (1930) 536-541)."""
        return 1 / math.sqrt(1 + (hz / self.corner_hz) ** (2 * self.order))
