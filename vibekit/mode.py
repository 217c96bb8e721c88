"""A mode of the frame: the frequency at which it answers strongly, and how much."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from vibekit.errors import UsageError

SAME = 0.03  # relative difference of frequency below which two modes are one


@dataclass(frozen=True, slots=True)
class FrameMode:
    """One mode of the frame, as a tap test gives it.

    frequency_hz: undamped natural frequency; damping: ratio to critical damping; both with half widths of their 95 % intervals
    """

    frequency_hz: float
    frequency_u95_hz: float
    damping: float
    damping_u95: float

    def __post_init__(self) -> None:
        if not (self.frequency_hz > 0 and 0 < self.damping < 1):
            raise UsageError(f"a mode at {self.frequency_hz:g} Hz with damping {self.damping:g}; both must be above 0, damping below 1")

    def amplification(self, hz: float) -> float:
        """How many times a force at this frequency moves the frame as far as the same force at rest would.

        1 / sqrt((1 - r^2)^2 + (2 damping r)^2), r = hz / frequency_hz (Rao, Mechanical Vibrations, 5th ed. 2011, eq. 3.30, from memory).
        """
        r = hz / self.frequency_hz
        return 1 / math.hypot(1 - r**2, 2 * self.damping * r)


def merged(modes: Iterable[FrameMode]) -> tuple[FrameMode, ...]:
    """One mode for those found at the same frequency, by several orders or on several arms: the one known best. By frequency."""
    kept: list[FrameMode] = []
    for mode in sorted(modes, key=lambda mode: mode.frequency_u95_hz / mode.frequency_hz):
        if all(abs(math.log(mode.frequency_hz / other.frequency_hz)) > SAME for other in kept):
            kept.append(mode)
    return tuple(sorted(kept, key=lambda mode: mode.frequency_hz))
