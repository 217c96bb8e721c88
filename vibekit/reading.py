"""A reading: what one recording says, every number with its 95 % interval."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vibekit.normal import Z95
from vibekit.problem import Screening
from vibekit.settings import Settings

Array = npt.NDArray[np.float64]
HIDDEN = 3.0  # standard uncertainties up to which a line gives an upper limit only
SCORE = "-log10 p"  # unit of a quantity that states a chance: log10 of an e-value
SpeedMethod = Literal["typed", "tacho", "telemetry", "estimated", "none"]


@dataclass(frozen=True, slots=True)
class SpeedResult:
    """Shaft speed over a recording.

    rpm: mean speed, None when it could not be found; rpm_u95: half width of its 95 % interval
    rpm_min, rpm_max: range over the recording
    candidates: speeds that come into question, rpm, each with its probability, where the recording leaves more than one
    rotors: mean speed of each rotor told apart in flight and half width of its 95 % interval, rpm, slowest first
    """

    method: SpeedMethod
    rpm: float | None = None
    rpm_u95: float | None = None
    rpm_min: float | None = None
    rpm_max: float | None = None
    candidates: tuple[tuple[float, float], ...] = ()
    rotors: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class OrderLine:
    """Peak amplitude at one order (multiple of shaft speed).

    name: what lies there ("1x", "blade pass", "outer race" ...)
    amplitude, u95: peak amplitude and half width of its 95 % interval, in `unit`
    floor: typical amplitude of a line beside it that holds only noise, same unit
    """

    order: float
    name: str
    amplitude: float
    u95: float
    unit: str
    floor: float

    @property
    def at_most(self) -> float | None:
        """The most that a line may be which does not stand HIDDEN standard uncertainties above nothing; else None."""
        return self.amplitude + self.u95 if self.amplitude < HIDDEN / Z95 * self.u95 < math.inf else None


@dataclass(frozen=True, slots=True)
class LinePower:
    """Mean-square power at one order, all channels together, in `unit` squared.

    power: what stands above the noise, below 0 where chance puts the bins under it; error: its standard error; noise: power of the
    noise in the same bins
    """

    order: float
    power: float
    error: float
    noise: float
    unit: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """One measured number.

    u95: half width of its 95 % interval, same unit; infinite where value is an upper limit, and nothing is known of how far it lies below
    """

    name: str
    value: float
    u95: float
    unit: str

    @property
    def at_most(self) -> float | None:
        """The upper limit, where that is all that is known; else None."""
        return self.value if self.u95 == math.inf else None


@dataclass(frozen=True, slots=True)
class Curve:
    """A spectrum to look at.

    kind: "order" (amplitude against order), "envelope" (squared-envelope spectrum against order), "psd" ...
    x, y: (n,); x_unit, y_unit: their units; resolution: equivalent noise bandwidth in x_unit
    u95: (n,) half width of the 95 % interval of y, None where it is not stated
    """

    kind: str
    x: Array
    y: Array
    x_unit: str
    y_unit: str
    resolution: float
    u95: Array | None = None


@dataclass(frozen=True, slots=True)
class SpeedMap:
    """Spectra of a run-up, one a stretch of shaft speed.

    kind: "order map" or "hertz map"; x: (n,) orders or Hz, see x_unit; rpm: (m,) ascending; amplitude: (m, n) peak, in `unit`
    resolution: equivalent noise bandwidth in x_unit
    """

    kind: str
    x: Array
    rpm: Array
    amplitude: Array
    x_unit: str
    unit: str
    resolution: float


@dataclass(frozen=True, slots=True)
class Reading:
    """What one recording says. Everything a verdict, a comparison, a report or the archive needs.

    settings: what the user stated; engine: version of the kit that made it
    log: what was done to the samples, in order; maps: of a run-up
    powers: of the lines at which readings are compared, ascending; whole: the same from the whole recording at once, with less noise
    """

    file: str
    sha256: str
    rate_hz: float
    duration_s: float
    channels: tuple[tuple[str, str], ...]  # (role, unit)
    settings: Settings
    screening: Screening
    speed: SpeedResult
    orders: tuple[OrderLine, ...]
    quantities: tuple[Quantity, ...]
    curves: tuple[Curve, ...]
    engine: str
    log: tuple[str, ...] = ()
    maps: tuple[SpeedMap, ...] = ()
    powers: tuple[LinePower, ...] = ()
    whole: tuple[LinePower, ...] = ()

    def quantity(self, name: str) -> Quantity | None:
        """The quantity of this name, None when it was not measured."""
        return next((q for q in self.quantities if q.name == name), None)

    def curve(self, kind: str) -> Curve | None:
        """The first curve of this kind, None when there is none."""
        return next((c for c in self.curves if c.kind == kind), None)


def values_of(readings: Sequence[Reading], name: str) -> list[float]:
    """A quantity's value in each reading that has it."""
    return [q.value for r in readings if (q := r.quantity(name)) is not None]
