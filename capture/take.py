"""A take: what a source delivers, what of it was lost, and what is kept beside the samples."""

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Literal

from vibekit.errors import UsageError
from vibekit.recording import Channel, Sensor

SCHEMA = "vibekit.take/1"


@dataclass(frozen=True, slots=True)
class Form:
    """What a source delivers.

    rate_hz: frames a second as the device states it; channels: one a column of the blocks; source: device in words
    sensor: what listens, None when not known; processed, full_scale, lossy: as in `vibekit.recording.Source`
    crystal: its rate is kept by a quartz, so what it states is better known than this computer can measure; a MEMS sensor's is not
    """

    rate_hz: float
    channels: tuple[Channel, ...]
    source: str
    sensor: Sensor | None = None
    processed: tuple[str, ...] = ()
    full_scale: float | None = None
    crystal: bool = True
    lossy: str = ""

    def __post_init__(self) -> None:
        if not (0 < self.rate_hz <= 10_000_000):
            raise UsageError(f"rate is {self.rate_hz:g} Hz; it must be above 0 and at most 10 000 000")
        if not self.channels:
            raise UsageError("the source has no channels; choose one that has")


@dataclass(frozen=True, slots=True)
class Gap:
    """A place where samples are missing.

    frame: where it begins, in frames of the file; missing: frames lost; filled: how many zeros stand for them in the file
    why: in words; within: frames before `frame` among which the place lies, 0 when it is known exactly
    """

    frame: int
    missing: int
    filled: int
    why: str
    within: int = 0


@dataclass(frozen=True, slots=True)
class Account:
    """What is kept beside the samples of a take, in its file and next to it.

    started: of the first frame, with its zone; frames: of the file; ended: why, in words
    rate_hz, rate_u95_hz: of the samples, with the half width of its 95 % interval (0: as the device states it)
    clock_rate_hz: frames a second by this computer's clock, None when the take was too short to tell
    about: what it is a take of (craft, position, test, set-up ...); notes: what else to know, one sentence each
    """

    form: Form
    started: datetime
    frames: int
    rate_hz: float
    ended: str
    rate_u95_hz: float = 0.0
    clock_rate_hz: float | None = None
    gaps: tuple[Gap, ...] = ()
    about: tuple[tuple[str, str], ...] = ()
    notes: tuple[str, ...] = ()
    schema: Literal["vibekit.take/1"] = field(default="vibekit.take/1")

    @property
    def missing_s(self) -> float:
        """Seconds lost, pauses not counted."""
        return sum(gap.missing for gap in self.gaps if gap.why != PAUSED) / self.rate_hz


PAUSED = "paused"


@dataclass(frozen=True, slots=True)
class Take:
    """A finished take: its sound file and what is known about it."""

    path: Path
    account: Account
