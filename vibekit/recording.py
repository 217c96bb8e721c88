"""A recording: samples with their rate, the role and unit of each channel, and where they came from."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError, check_choice

Role = Literal["vibration", "tacho", "telemetry"]
ROLES: tuple[str, ...] = get_args(Role)
Sensor = Literal["microphone", "contact", "accelerometer", "phone-motion"]
SENSORS: tuple[str, ...] = get_args(Sensor)
Unit = Literal["FS", "g", "m/s2", "mm/s", "Pa", "V", "rpm", "Hz", "pulse"]
UNITS: tuple[str, ...] = get_args(Unit)
RELATIVE: Unit = "FS"  # uncalibrated: a fraction of full scale, never called pascal

Samples = npt.NDArray[np.float32] | npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Channel:
    """What one row of a recording holds.

    role: vibration (what is judged: acceleration, velocity or sound), tacho (pulses) or telemetry (a speed column)
    unit: see UNITS; "FS" when nothing is calibrated
    name: the column's own name, or "1", "2" ... for a sound file
    """

    role: Role = "vibration"
    unit: Unit = RELATIVE
    name: str = "1"

    def __post_init__(self) -> None:
        check_choice("role", self.role, ROLES)
        check_choice("unit", self.unit, UNITS)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a recording came from.

    file: path as given, "" when it was not a file
    sha256: of the file's bytes, "" when it was not a file
    encoding: how samples were stored: "PCM_16", "FLOAT", "text", "simulated" ...
    lossy: codec name when the codec throws sound away ("mp3", "aac", "opus", "vorbis"), else ""
    processed: what a phone or system did to the sound ("gain control", "noise suppression" ...), empty when nothing or not known
    full_scale: largest magnitude the encoding can hold, in the samples' own unit; None for float and text
    """

    file: str = ""
    sha256: str = ""
    encoding: str = ""
    lossy: str = ""
    processed: tuple[str, ...] = ()
    full_scale: float | None = None


@dataclass(frozen=True, slots=True)
class Lost:
    """Samples known to have been lost on the way: `missing` of them, somewhere in samples[start:stop], which may be filled with zeros."""

    start: int
    stop: int
    missing: int
    why: str


@dataclass(frozen=True, slots=True)
class Taken:
    """Rows of a log at the uneven times at which they were taken.

    time_s: (n,) rising, on the clock of the stamps; samples: (channels, n)
    """

    time_s: npt.NDArray[np.float64]
    samples: Samples


@dataclass(frozen=True, slots=True)
class Recording:
    """Samples as they were taken, never resampled in silence.

    samples: (channels, n) float32 or float64, made read-only
    rate_hz: samples a second, of the file or estimated from time stamps
    rate_u95_hz: half width of the 95 % interval of the rate; 0 when the file states it
    channels: one Channel a row
    stamp_s: (n,) time stamps as written, seconds, or None when the file has none; kept for fits on true time. Of a log put on
        an even grid: the times of that grid, on the clock of the stamps
    start: when the recording began, None when not known
    log: what was done to the samples since the file ("resampled from irregular stamps to 99.3 Hz" ...)
    lost: what was lost, where the recorder knew it
    taken: the rows before they were put on an even grid, None when they were not

    Raises UsageError when shapes disagree or the rate is not positive.
    """

    samples: Samples
    rate_hz: float
    channels: tuple[Channel, ...]
    source: Source = field(default_factory=Source)
    rate_u95_hz: float = 0.0
    stamp_s: npt.NDArray[np.float64] | None = None
    start: datetime | None = None
    log: tuple[str, ...] = ()
    lost: tuple[Lost, ...] = ()
    taken: Taken | None = None

    def __post_init__(self) -> None:
        if self.samples.ndim != 2 or self.samples.shape[0] != len(self.channels):
            raise UsageError(f"samples have shape {self.samples.shape}; expected ({len(self.channels)}, n), one row a channel")
        if not (np.isfinite(self.rate_hz) and self.rate_hz > 0):
            raise UsageError(f"rate is {self.rate_hz} Hz; it must be above 0")
        if self.stamp_s is not None and self.stamp_s.shape != (self.samples.shape[1],):
            raise UsageError(f"time stamps have shape {self.stamp_s.shape}; expected ({self.samples.shape[1]},)")
        samples = self.samples.view()
        samples.flags.writeable = False
        object.__setattr__(self, "samples", samples)

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return float(self.samples.shape[1] / self.rate_hz)

    def clock(self, stated: float) -> float:
        """Relative half width of the 95 % interval of the sensor's clock: as stated, or as far as the rate is known where that is wider."""
        return max(stated, self.rate_u95_hz / self.rate_hz)

    def rows(self, role: Role) -> list[int]:
        """Indices of the channels with this role, in file order."""
        return [i for i, channel in enumerate(self.channels) if channel.role == role]

    def without(self, rows: Sequence[int], why: str) -> "Recording":
        """The same recording less these channels; the log names them and says why."""
        kept = [row for row in range(len(self.channels)) if row not in rows]
        taken = replace(self.taken, samples=self.taken.samples[kept]) if self.taken else None
        left = replace(self, samples=self.samples[kept], channels=tuple(self.channels[row] for row in kept), taken=taken)
        return left.with_log(f"left out channel {', '.join(self.channels[row].name for row in rows)}: {why}")

    def with_log(self, line: str) -> "Recording":
        """The same recording with one more line in its log."""
        return replace(self, log=(*self.log, line))
