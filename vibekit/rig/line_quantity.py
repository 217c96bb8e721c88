"""Quantities made of order lines: what is normal for them, and how large a fault moves them by so much."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.recording import Sensor
from vibekit.rig.craft import Mode, RigCraft, stream
from vibekit.rig.fault import Condition
from vibekit.rig.forces import Lines, fault_lines, healthy_lines, unbalance
from vibekit.rig.path import path
from vibekit.rig.quantity import HIGH_BAND, TAKE_S, Normal, sizing_test
from vibekit.rig.scatter import NEPER_PER_DB, REFIT_MM, SPEED_RANGE
from vibekit.rig.wash import wash_force, wash_sound
from vibekit.settings import Test

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

SPEED = 1 + SPEED_RANGE * np.linspace(-6 / 7, 6 / 7, 7)  # midpoints of seven equal parts of the range in which takes lie
BLADE_LIMIT = 0.6  # share of its lift that a blade can lose and still be there


@dataclass(frozen=True, slots=True)
class LineQuantity:
    """Root-sum-square amplitude of a set of orders on one rotor.

    half: twice the orders
    """

    craft: RigCraft
    rotor: int
    test: Test
    sensor: Sensor
    half: tuple[int, ...]

    @classmethod
    def of(cls, craft: RigCraft, rotor: int, condition: Condition, sensor: Sensor) -> "LineQuantity":
        """The characteristic quantity of this condition."""
        test = sizing_test(condition)
        orders = tuple(half for half in _orders(craft, condition) if half * craft.test_hz / 2 < HIGH_BAND[1])
        if condition != "blade-damage":
            return cls(craft, rotor, test, sensor, orders)
        single = [cls(craft, rotor, test, sensor, (half,)) for half in orders]
        clear = [float(np.mean(np.abs(each.pattern(condition)))) / each.normal().deviation for each in single]
        return single[int(np.argmax(clear))]

    def normal(self) -> Normal:
        """Healthy mean and standard deviation: speed, refit, noise of a 2.5 s estimate and gain."""
        return self._over_takes(self.heard(healthy_lines(self.craft, self.rotor, self.test)))

    def size(self, condition: Condition, severity: float) -> float:
        """Size of the fault that moves the mean by `severity` repeatability limits."""
        base = self.heard(healthy_lines(self.craft, self.rotor, self.test))
        pattern = self.pattern(condition)
        wanted = aim = self.normal().at(severity)
        size = 0.0
        for _ in range(4):
            size = _root(base, pattern, len(SPEED) * aim**2)
            hurt = base + size * pattern
            louder = float(np.linalg.norm(hurt) / np.linalg.norm(base)) if condition == "resonance" else 1.0
            aim *= wanted / self._over_takes(hurt, louder).mean
        return min(size, BLADE_LIMIT) if condition == "blade-damage" else size

    def heard(self, lines: Lines, extra: Mode | None = None) -> Complex:
        """(7, orders) complex amplitudes at the speeds in SPEED."""
        half = np.tile(self.half, len(SPEED))
        speed = np.repeat(SPEED, len(self.half))
        way = path(self.craft, self.rotor, self.sensor, 1, half * speed * self.craft.test_hz / 2, extra)
        return lines.heard(way, half, speed).reshape(len(SPEED), -1)

    def pattern(self, condition: Condition) -> Complex:
        """(7, orders) what a fault of size 1 adds."""
        if condition == "resonance":
            lines = healthy_lines(self.craft, self.rotor, self.test)
            return self.heard(lines, resonance_mode(self.craft, self.rotor, 1.0)) - self.heard(lines)
        return self.heard(fault_lines(self.craft, self.rotor, condition, self.test))

    def _over_takes(self, heard: Complex, louder: float = 1.0) -> Normal:
        """Mean and standard deviation over takes; a resonance makes the refit's part `louder` too."""
        noise = self.noise()
        power = np.abs(heard) ** 2
        if len(self.half) == 1:
            mean, deviation = _rice(np.abs(heard[:, 0]), math.hypot(louder * self._refit(), math.sqrt(noise[0])))
        else:
            mean = np.sqrt(np.sum(power + 2 * noise, axis=1))
            deviation = np.sqrt(np.sum(power * noise + noise**2, axis=1)) / mean
        middle = float(mean.mean())
        by_gain = self.craft.gain_scatter_db * NEPER_PER_DB * middle
        by_level = self.craft.level_scatter_db * NEPER_PER_DB * 2 * float(noise.sum()) / middle
        return Normal(middle, math.sqrt(float(np.mean(deviation**2)) + float(np.var(mean)) + by_gain**2 + by_level**2))

    def _refit(self) -> float:
        """Standard deviation of each component of 1x from fitting the propeller again; 0 for other orders and without a propeller."""
        if self.test == "bare" or self.half != (2,):
            return 0.0
        return float(np.mean(np.abs(self.heard(unbalance(self.craft, REFIT_MM * self.craft.prop_g / math.sqrt(2))))))

    def noise(self) -> Array:
        """(orders,) variance of each component of a line's amplitude, from the PSD S of all that is random: S / T."""
        frequency = np.array(self.half) * self.craft.test_hz / 2
        way = path(self.craft, self.rotor, self.sensor, 1, frequency)
        power: Array = way.noise[0] ** 2 + np.abs(way.casing[0] * self.craft.motors[self.rotor].bearing_noise) ** 2
        if self.test == "prop":
            force, sound = wash_force(self.craft, self.rotor, frequency), wash_sound(self.craft, self.rotor, frequency)
            power += np.abs(np.einsum("dk,dk->k", way.force[0], force) + way.air[0] * sound) ** 2
        return power / TAKE_S


def resonance_mode(craft: RigCraft, rotor: int, size: float) -> Mode:
    """The mode that a cracked or softened arm has brought down onto 1x of the test speed; `size` is 1 / its modal mass."""
    rng = stream(craft, "fault", "resonance", rotor)
    angle = 2 * math.pi * rng.random()
    return Mode(
        frequency_hz=craft.test_hz * rng.uniform(0.99, 1.01),
        damping=rng.uniform(0.015, 0.03),
        mass_kg=1 / size,
        at_motor=(math.cos(angle), math.sin(angle), 0.2),
        at_sensor=craft.axis,
    )


def _orders(craft: RigCraft, condition: Condition) -> list[int]:
    """Half-order indices that make up the quantity; for blade-damage those among which it picks one."""
    blades, pair = craft.blades, craft.poles // 2
    if condition == "bent-shaft":
        return [2, 4]
    if condition == "blade-damage":
        return [2 * order for order in range(2, 4 * blades) if order % blades]
    if condition in ("loose-mount", "loose-propeller"):
        return [half for half in range(1, 25) if half != 2 and half % (2 * blades)]
    if condition == "electrical":
        return [2 * order for order in (pair, 2 * pair, 4 * pair, *range(6 * pair - 2, 6 * pair + 3))]
    return [2]


def _rice(amplitude: Array, spread: float) -> tuple[Array, Array]:
    """Mean and standard deviation of |amplitude + complex normal noise of `spread` a component| (Rice, Bell Syst. Tech. J. 24, 1945)."""
    node, weight = np.polynomial.hermite_e.hermegauss(12)
    size = np.abs(amplitude[:, None, None] + spread * (node[:, None] + 1j * node))
    chance = np.outer(weight, weight) / (2 * np.pi)
    mean = np.einsum("sij,ij->s", size, chance)
    return mean, np.sqrt(np.maximum(np.einsum("sij,ij->s", size**2, chance) - mean**2, 0))


def _root(base: Complex, pattern: Complex, target: float) -> float:
    """The positive x with sum |base + x pattern|^2 = target, or the x that comes nearest."""
    a = float(np.sum(np.abs(pattern) ** 2))
    b = float(np.sum((base.conj() * pattern).real))
    c = float(np.sum(np.abs(base) ** 2)) - target
    return (-b + math.sqrt(max(b * b - a * c, 0.0))) / a
