"""An invented multirotor for the rig: its motors, propellers, bearings, arms and the places of its sensors."""

import zlib
from dataclasses import dataclass

import numpy as np

from vibekit.bearing import Bearing
from vibekit.recording import Sensor
from vibekit.settings import Settings, Test

ROTORS = 4
AIR_DENSITY = 1.2  # kg/m3
SPEED_OF_SOUND = 343.0  # m/s
FLICK_HZ = (10.0, 25.0)  # speed a finger gives a motor

Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Mode:
    """One bending mode of an arm.

    at_motor, at_sensor: mode shape (x, y radial; z along the shaft) where the motor pushes and where the sensor sits
    mass_kg: modal mass for these shapes
    """

    frequency_hz: float
    damping: float
    mass_kg: float
    at_motor: Vector
    at_sensor: Vector


@dataclass(frozen=True, slots=True)
class Ring:
    """A resonance of the motor's casing at several kHz: what a click in the bearing sets ringing."""

    frequency_hz: float
    damping: float
    gain: float


@dataclass(frozen=True, slots=True)
class Motor:
    """One motor with its propeller and arm; healthy scatter included.

    bell_gmm, prop_gmm: residual unbalance of the bell and of the propeller as it was first fitted, g*mm, complex in rotor coordinates
    lift: lift of each blade, mean 1
    runout: forces of a healthy bell at orders 2, 3, ... as fractions of the force of 1 micrometre eccentricity, complex
    electrical: casing acceleration (m/s2 peak) at the pole-pair order, twice it, 6 times it, and at the cogging order
    bearing_noise: casing excitation, m/s2 per root Hz at the test speed
    wash: turbulent force of the propeller's wash, share of the thrust
    dry_torque, viscous_torque: friction, N*m and N*m*s
    """

    bell_gmm: complex
    prop_gmm: complex
    lift: tuple[float, ...]
    runout: tuple[complex, ...]
    electrical: tuple[complex, ...]
    bearing_noise: float
    wash: float
    rings: tuple[Ring, ...]
    modes: tuple[Mode, ...]
    dry_torque: float
    viscous_torque: float


@dataclass(frozen=True, slots=True)
class RigCraft:
    """A craft and the set-up around it. Everything that stays the same from take to take.

    axis: direction in which a one-axis sensor feels
    gain_scatter_db, level_scatter_db, wander: what differs between takes: sensor gain, wash and bearing noise, share of the speed
    echo: (delay s, gain) of the room's reflections
    full_scale: m/s2 that fill the contact pick-up's range; full_scale_pa: sound pressure, Pa, that fills the microphone's
    """

    seed: int
    diameter_m: float
    blades: int
    poles: int
    slots: int
    test_rpm: float
    bell_g: float
    prop_g: float
    arm_kg: float
    bearing: Bearing
    motors: tuple[Motor, ...]
    axis: Vector
    distance_m: float
    echo: tuple[tuple[float, float], ...]
    switching_hz: float
    gain_scatter_db: float
    level_scatter_db: float
    wander: float
    full_scale: float
    full_scale_pa: float

    @property
    def test_hz(self) -> float:
        """Revolutions a second at the test speed."""
        return self.test_rpm / 60

    @property
    def thrust_n(self) -> float:
        """Thrust of one propeller at the test speed: 0.1 rho n^2 D^4 (Brandt & Selig, AIAA 2011-1255: static C_T 0.08 to 0.14)."""
        return 0.1 * AIR_DENSITY * self.test_hz**2 * self.diameter_m**4

    def settings(self, test: Test, sensor: Sensor = "contact") -> Settings:
        """What an owner who knows the craft would state about a recording of it; the speed is left to be found."""
        return Settings(test=test, blades=self.blades, poles=self.poles, slots=self.slots, bearings=(self.bearing,), sensor=sensor)


def bell_inertia(bell_g: float, diameter_m: float) -> float:
    """Moment of inertia of a bell, kg*m2: a ring at a tenth of the propeller's diameter."""
    return bell_g * 1e-3 * (0.1 * diameter_m) ** 2


def stream(craft: RigCraft, *keys: int | str) -> np.random.Generator:
    """The random numbers that belong to these keys on this craft: the same keys give the same numbers."""
    return np.random.default_rng([craft.seed, *(key if isinstance(key, int) else zlib.crc32(key.encode()) for key in keys)])
