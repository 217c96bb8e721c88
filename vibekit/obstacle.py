"""Why balancing cannot help: what must be mended first."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Obstacle:
    """One reason not to balance. code: short name; reason: what was seen, with the number; act: what to do instead."""

    code: str
    reason: str
    act: str
