"""What a sensor on a serial port says of itself, and pieces of what it delivers; the same for every protocol.

A sensor repeats its header once a second, so a listener may come at any time. It is one line of words:

    rate=3200 unit=g range=16 scale=0.00390625 axes=x,y,z bits=16 name=Siskin

rate: samples a second; unit: of the samples, as in `vibekit.recording.Unit`; range: largest magnitude in that unit; scale: how many of
the unit one count is; axes: in the order in which they are sent, "tacho" among them for pulses; bits: of a count in a frame, 16 or 32;
name: the board's own. Samples are numbered from 0 on, modulo 2^32, so that what is lost on the way is counted.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vibekit.capture.take import Form
from vibekit.errors import UnreadableError, UsageError, check_choice
from vibekit.recording import UNITS, Channel, Sensor, Unit

NUMBERS = 1 << 32
MOST_AXES = 16
TACHO = "tacho"
FARTHEST_S = 60.0  # a number that jumps further is that of a sensor which started anew
LOST = "lost between sensor and computer"
RESTARTED = "a restart of the sensor"
Samples = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class SensorHeader:
    """A header as read."""

    rate_hz: float
    unit: Unit
    axes: tuple[str, ...]
    scale: float = 1.0
    range: float | None = None
    bits: int | None = 16
    name: str = "serial sensor"

    def __post_init__(self) -> None:
        check_choice("unit", self.unit, UNITS)
        for name, value in (("rate", self.rate_hz), ("scale", self.scale), ("range", self.range)):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise UsageError(f"{name} is {value:g}; it must be above 0")
        if self.bits not in (16, 32, None):
            raise UsageError(f"bits is {self.bits}; it must be 16 or 32")
        if not 1 <= len(self.axes) <= MOST_AXES:
            raise UsageError(f"there are {len(self.axes)} axes; there must be from 1 to {MOST_AXES}")

    @classmethod
    def of(cls, text: str) -> "SensorHeader":
        """Read a header. Raises UnreadableError when something is missing or cannot be."""
        said = dict(word.partition("=")[::2] for word in text.split())
        try:
            return cls(
                rate_hz=float(said["rate"]),
                unit=said["unit"],  # type: ignore[arg-type]  # checked when made
                axes=tuple(said["axes"].split(",")),
                scale=float(said.get("scale", "1")),
                range=float(said["range"]) if "range" in said else None,
                bits=int(said.get("bits", "16")),
                name=said.get("name", "serial sensor"),
            )
        except (KeyError, ValueError) as error:
            raise UnreadableError(f"the sensor's header {text!r} cannot be used: {error}") from None

    def form(self, where: str) -> Form:
        """What the recorder is told. where: the port."""
        channels = tuple(Channel("tacho", "pulse", axis) if axis == TACHO else Channel("vibration", self.unit, axis) for axis in self.axes)
        limit = None if self.bits is None else (2 ** (self.bits - 1) - 1) * self.scale
        full_scale = min((limit for limit in (self.range, limit) if limit), default=None)
        sensor: Sensor | None = "accelerometer" if self.unit in ("g", "m/s2") else None
        return Form(self.rate_hz, channels, f"{self.name} at {where}", sensor, full_scale=full_scale, crystal=False)


@dataclass(frozen=True, slots=True)
class Piece:
    """Samples (n, axes) in the sensor's unit; lost: how many are missing before them, why: in words."""

    samples: Samples
    lost: int = 0
    why: str = ""


class Numbering:
    """Follows the numbers of samples and joins what follows without a gap."""

    def __init__(self) -> None:
        self._next: int | None = None

    def place(self, first: int, samples: Samples, header: SensorHeader, pieces: list[Piece]) -> None:
        """Append samples whose first has this number to the pieces."""
        lost = 0 if self._next is None else (first - self._next) % NUMBERS
        why = ""
        if lost:
            why = LOST
            if lost > FARTHEST_S * header.rate_hz:
                lost, why = 0, RESTARTED
        self._next = (first + len(samples)) % NUMBERS
        if pieces and not why:
            pieces[-1] = replace(pieces[-1], samples=np.concatenate([pieces[-1].samples, samples]))
        else:
            pieces.append(Piece(samples, lost, why))
