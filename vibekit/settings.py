"""What the user states about a recording before it is analysed."""

from dataclasses import dataclass
from typing import Literal, get_args

from vibekit.bearing import Bearing
from vibekit.errors import UsageError, check_choice
from vibekit.low_pass import LowPass
from vibekit.mode import FrameMode
from vibekit.recording import SENSORS, Sensor

Test = Literal["hand-spin", "bare", "prop", "run-up", "flight"]
UNCALIBRATED = 1e-4  # relative tolerance of a sound card's or phone's clock (common practice, no source)
TESTS: tuple[str, ...] = get_args(Test)


def feels_propeller(test: Test | None) -> bool:
    """A propeller may be on under this test; so it is taken where the test was not said."""
    return test not in ("hand-spin", "bare")


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything about the set-up that changes what is computed; what is None is not known.

    test: how the motor was turned: hand-spin, bare (no propeller), prop (steady), run-up, flight
    speed_rpm: shaft speed as typed, rpm
    blades, poles, slots: counts of propeller blades, rotor poles and stator slots
    bearings: geometries, each with its defect orders
    sensor: microphone, contact, accelerometer or phone-motion
    setup: sensor, place, fixing and gain as the owner describes them; levels are compared only within one set-up
    marks: that pass the tacho in a turn, None where their spacing or the recording shall tell
    clock_ppm: to which the sensor's clock is known, parts in a million; None where it was never calibrated
    modes: of the frame, held as in this recording, from a tap test; sensor_filter: of a slow sensor, None when not known
    """

    test: Test | None = None
    speed_rpm: float | None = None
    blades: int | None = None
    poles: int | None = None
    slots: int | None = None
    bearings: tuple[Bearing, ...] = ()
    sensor: Sensor | None = None
    modes: tuple[FrameMode, ...] = ()
    sensor_filter: LowPass | None = None
    setup: str = ""
    marks: int | None = None
    clock_ppm: float | None = None

    @property
    def clock(self) -> float:
        """Relative tolerance of the sensor's clock."""
        return UNCALIBRATED if self.clock_ppm is None else 1e-6 * self.clock_ppm

    def __post_init__(self) -> None:
        if self.test is not None:
            check_choice("test", self.test, TESTS)
        if self.sensor is not None:
            check_choice("sensor", self.sensor, SENSORS)
        if self.speed_rpm is not None and not 0 < self.speed_rpm < 1e6:
            raise UsageError(f"speed is {self.speed_rpm:g} rpm; it must be above 0 and below 1 000 000")
        for name, value, low, high in (
            ("blades", self.blades, 1, 12),
            ("poles", self.poles, 2, 100),
            ("slots", self.slots, 2, 120),
            ("marks", self.marks, 1, 60),
        ):
            if value is not None and not low <= value <= high:
                raise UsageError(f"{name} is {value}; it must be a whole number from {low} to {high}")
        if self.clock_ppm is not None and not 0 < self.clock_ppm <= 10_000:
            raise UsageError(f"clock is {self.clock_ppm:g} ppm; it must be above 0 and at most 10 000")
        if self.poles is not None and self.poles % 2:
            raise UsageError(f"poles is {self.poles}; magnets come in pairs, so it must be even")
