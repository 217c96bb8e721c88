"""What a flight puts into the bands of 1x and of the blade pass, from the rig's own description: a thousand flights in seconds."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.dominance import TOP_ORDERS, Band
from vibekit.hover import ROTORS_APART
from vibekit.recording import Sensor
from vibekit.rig.craft import ROTORS, Mode, RigCraft, stream
from vibekit.rig.fault import Fault
from vibekit.rig.forces import BLADE_SHARE, Lines, blade_lines, fault_lines, healthy_lines, unbalance
from vibekit.rig.line_quantity import resonance_mode
from vibekit.rig.motion import drift, steady
from vibekit.rig.path import path
from vibekit.rig.record import APART_HZ
from vibekit.rig.render import LOOSE
from vibekit.rig.scatter import Scatter, draw_scatter
from vibekit.rig.severity import fault_size
from vibekit.rig.wash import wash_force, wash_sound

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
TRIM_YAW, TRIM = 0.03, 0.02  # common practice, no source
SEAT_DB = 4.0  # by which a rotor is heard better or worse for where the sensor sits (common practice, no source)
THIN = 0.25  # mass of a blade a length at the tip against the hub, falling in a straight line (common practice, no source)


@dataclass(frozen=True, slots=True)
class CutTip:
    """One blade cut short by a share of the propeller's radius.

    The lift of blade elements goes as radius squared (blade element theory: Leishman, Principles of Helicopter Aerodynamics, section
    3.2), so the blade keeps (1 - share)^3 of it; the rotor turns faster until its thrust is what it was.
    """

    share: float
    rotor: int = 0

    @property
    def lost_lift(self) -> float:
        """Share of the blade's lift that is gone."""
        return 1 - (1 - self.share) ** 3

    def lines(self, craft: RigCraft) -> Lines:
        """What the cut adds to the rotor's forces and sound."""
        blade_g = BLADE_SHARE * craft.prop_g / craft.blades
        lost_g = blade_g * self.share * (2 * THIN + (1 - THIN) * self.share) / (1 + THIN)
        gmm = lost_g * (1 - self.share / 2) * craft.diameter_m / 2 * 1e3
        return blade_lines(craft, [-self.lost_lift, *[0.0] * (craft.blades - 1)]) + unbalance(craft, -gmm)

    def faster(self, craft: RigCraft) -> float:
        """Factor on the rotor's speed: thrust goes as speed squared."""
        return float((1 - self.lost_lift / craft.blades) ** -0.5)


@dataclass(frozen=True, slots=True)
class Rotors:
    """The rotors of one flight: speed_hz, near (ROTORS,): how loud each is heard beside the others; wander: of their speed, a share."""

    scatter: tuple[Scatter, ...]
    wrong: Mapping[int, Fault | CutTip]
    speed_hz: Array
    near: Array
    wander: float

    @classmethod
    def of(cls, craft: RigCraft, hurt: Sequence[Fault | CutTip], take: int) -> "Rotors":
        """Those of a craft whose one sensor sits at any of its arms, or between them. hurt: what is wrong, each on a rotor of its own.

        Beside the rig's own spacing, pairs of rotors that turn one way are faster than the others by a share normal about 0 with
        TRIM_YAW, to hold the heading, and each rotor by TRIM, for where the mass lies.
        """
        at = hurt[0].rotor if hurt else 0
        scatter = tuple(draw_scatter(craft, rotor, "flight", take, take) for rotor in range(ROTORS))
        apart = np.cumsum(stream(craft, "apart").uniform(*APART_HZ, ROTORS))
        balance = stream(craft, "trim")
        trim = 1 + balance.normal(0, TRIM_YAW) * np.array([1, -1, 1, -1]) + balance.normal(0, TRIM, ROTORS)
        near = 10 ** (stream(craft, "seat").normal(0, SEAT_DB, ROTORS) / 20)
        speed_hz = (scatter[at].speed * craft.test_hz + apart - apart[at]) * trim
        for tip in hurt:
            if isinstance(tip, CutTip):
                speed_hz[tip.rotor] *= tip.faster(craft)
        return cls(scatter, {each.rotor: each for each in hurt}, speed_hz, near, scatter[at].wander)

    def lines(self, craft: RigCraft, rotor: int, sensor: Sensor, order: npt.NDArray[np.intp]) -> tuple[Complex, Complex]:
        """Amplitudes of one rotor's orders, and those of a loose part, which are unsteady."""
        half, hz = 2 * order, float(self.speed_hz[rotor])
        hurt, size, extra = self._fault(craft, rotor, sensor)
        way = path(craft, rotor, sensor, 1, half * hz / 2, extra)
        steady_lines = healthy_lines(craft, rotor, "flight", self.scatter[rotor].refit_gmm)
        loose = np.zeros(len(order), complex)
        tip = self.wrong.get(rotor)
        if isinstance(tip, CutTip):
            steady_lines += tip.lines(craft)
        elif hurt:
            added = fault_lines(craft, rotor, hurt.condition, "flight", 0) * size
            if hurt.condition in LOOSE:
                loose = added.heard(way, half, hz / craft.test_hz)[0]
            else:
                steady_lines += added
        return steady_lines.heard(way, half, hz / craft.test_hz)[0], loose

    def noise(self, craft: RigCraft, rotor: int, sensor: Sensor, frequency: Array) -> Array:
        """Power of noise a Hz that one rotor, and its share of the sensor's own, put there."""
        way = path(craft, rotor, sensor, 1, frequency, self._fault(craft, rotor, sensor)[2])
        wash = np.einsum("dk,dk->k", way.force[0], wash_force(craft, rotor, frequency)) + way.air[0] * wash_sound(craft, rotor, frequency)
        power = np.abs(way.casing[0] * craft.motors[rotor].bearing_noise) ** 2 + np.abs(wash) ** 2 + way.noise[0] ** 2 / ROTORS
        return np.asarray(self.near[rotor] ** 2 * power)

    def _fault(self, craft: RigCraft, rotor: int, sensor: Sensor) -> tuple[Fault | None, float, Mode | None]:
        """What is wrong with a rotor, its size and the mode it brought."""
        hurt = self.wrong.get(rotor)
        if not isinstance(hurt, Fault):
            return None, 0.0, None
        size = fault_size(craft, hurt, sensor)
        return hurt, size, resonance_mode(craft, rotor, size) if hurt.condition == "resonance" else None


def flight_bands(craft: RigCraft, sensor: Sensor, hurt: Sequence[Fault | CutTip], take: int, *, seconds: float = 5.0) -> tuple[Band, Band]:
    """Bands of 1x and of the blade pass in one flight. Arguments as for `Rotors.of`."""
    rng = stream(craft, "flight band", take)
    rotors = Rotors.of(craft, hurt, take)
    mean_hz = float(rotors.speed_hz.mean())
    orders = (1, craft.blades)
    half_hz = [min(ROTORS_APART * each, TOP_ORDERS) * mean_hz for each in orders]
    n = [round(2 * half * seconds) for half in half_hz]
    time = [np.arange(count) / (2 * half) for count, half in zip(n, half_hz, strict=True)]
    fine = max(zip(n, half_hz, strict=True))
    z: list[Complex] = [np.zeros(count, complex) for count in n]
    noise = np.zeros(2)
    for rotor, hz in enumerate(rotors.speed_hz):
        amplitude, loose = rotors.lines(craft, rotor, sensor, np.array(orders))
        noise += rotors.noise(craft, rotor, sensor, np.array(orders) * hz)
        motion = steady(rng, hz, rotors.wander, fine[0], 2 * fine[1])
        rattle = unsteady(rng, fine[0], 2 * fine[1])
        when = np.arange(fine[0]) / (2 * fine[1])
        for i, (order, half) in enumerate(zip(orders, half_hz, strict=True)):
            turns = order * (np.interp(time[i], when, motion.turns) - mean_hz * time[i]) + half * time[i]
            size = amplitude[i] + loose[i] * np.interp(time[i], when, rattle)
            z[i] += rotors.near[rotor] * size * np.interp(time[i], when, motion.speed_hz / hz) ** 2 * np.exp(2j * np.pi * turns)
    bands = []
    for i, (each, half) in enumerate(zip(orders, half_hz, strict=True)):
        random = math.sqrt(noise[i] * 2 * half) * (rng.standard_normal(n[i]) + 1j * rng.standard_normal(n[i]))
        bands.append(Band(np.asarray(z[i] + random, np.complex128), 2 * half, each * mean_hz - half))
    return bands[0], bands[1]


def unsteady(rng: np.random.Generator, n: int, rate_hz: float) -> Array:
    """(n,) how a loose part's lines come and go, mean 1."""
    return np.asarray(np.exp(0.25 * drift(rng, n, rate_hz, 0.4) - 0.25**2 / 2))
