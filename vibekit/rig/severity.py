"""How large a fault of severity s is: the unit is the repeatability limit of one characteristic quantity a condition.

A fault of severity s moves its condition's characteristic quantity, on the same rotor and with the same sensor, from its healthy
mean Q0 to Q0 + s r, where r = 2.8 s_r is the repeatability limit of ISO 5725-6:1994 and s_r the standard deviation of the quantity
over healthy takes (sensor put back, propeller fitted again, speed set again, weather of the wash). The fault itself is a physical
thing (g*mm, N, m/s): it is sized once, in the test of the table, at the craft's test speed, and seen in the other tests as it comes.

condition                         characteristic quantity                                                      sized in test
prop-imbalance, resonance         amplitude of 1x                                                              prop
rotor-imbalance                   amplitude of 1x                                                              bare
bent-shaft                        root-sum-square amplitude of 1x and 2x                                       bare
blade-damage                      amplitude of the order from 2 to 4 B, no multiple of B, that shows it best    prop
loose-mount, loose-propeller      root-sum-square amplitude of orders 0.5, 1.5, 2, ... 12 save blade pass      prop
electrical                        root-sum-square amplitude of orders p, 2p, 4p, 6p and 6p +- 1, 2             prop
rub, bearing-grit                 rms from 2 kHz to 10.8 kHz                                                   bare
bearing-outer, -inner, -ball      squared envelope of the ring's band over its mean: root-sum-square of its
                                  amplitude spectrum within 1 % of the strike order                            bare
bearing-cage                      the same at the cage order                                                   bare

B blades, p pole pairs; every quantity is taken from 2.5 s. s_r is computed from the rig's own description, not from trials:
gain, level, refit and speed scatter and the noise of a 2.5 s estimate, added as variances.
"""

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from vibekit.recording import Sensor
from vibekit.rig.clicks import Defect, defect, rub_mean_square
from vibekit.rig.craft import Mode, RigCraft, stream
from vibekit.rig.fault import Condition, Fault
from vibekit.rig.forces import TOP_ORDER, fault_lines, healthy_lines, unbalance
from vibekit.rig.path import Path, path
from vibekit.rig.scatter import NEPER_PER_DB, REFIT_MM, SPEED_SCATTER
from vibekit.rig.wash import wash_force, wash_sound
from vibekit.settings import Test

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

TAKE_S = 2.5
HIGH_BAND = (2000.0, 10800.0)
SLIP_BAND = 0.01
BARE: tuple[Condition, ...] = (
    "rotor-imbalance",
    "bent-shaft",
    "rub",
    "bearing-grit",
    "bearing-outer",
    "bearing-inner",
    "bearing-ball",
    "bearing-cage",
)
HIGH_FREQUENCY: tuple[Condition, ...] = ("rub", "bearing-grit")
ENVELOPE: tuple[Condition, ...] = ("bearing-outer", "bearing-inner", "bearing-ball", "bearing-cage")


@dataclass(frozen=True, slots=True)
class Normal:
    """What is normal for a characteristic quantity: its mean and its standard deviation over healthy takes."""

    mean: float
    deviation: float

    @property
    def limit(self) -> float:
        """Repeatability limit r = 2.8 s_r (ISO 5725-6:1994)."""
        return 2.8 * self.deviation

    def at(self, severity: float) -> float:
        """Mean of the quantity when a fault of this severity is there."""
        return self.mean + severity * self.limit


def sizing_test(condition: Condition) -> Test:
    """The test in which the severity of this condition is defined."""
    return "bare" if condition in BARE else "prop"


def sizing_orders(craft: RigCraft, condition: Condition) -> list[int]:
    """Half-order indices (twice the orders) whose amplitudes make up the characteristic quantity."""
    blades, pair = craft.blades, craft.poles // 2
    if condition == "bent-shaft":
        orders = [2, 4]
    elif condition == "blade-damage":
        orders = [2 * order for order in range(2, 4 * blades) if order % blades]
    elif condition in ("loose-mount", "loose-propeller"):
        orders = [half for half in range(1, 25) if half != 2 and half % (2 * blades)]
    elif condition == "electrical":
        orders = [2 * order for order in (pair, 2 * pair, 4 * pair, *range(6 * pair - 2, 6 * pair + 3))]
    else:
        orders = [2]
    top = min(2 * TOP_ORDER, int(2 * HIGH_BAND[1] / craft.test_hz))
    return [half for half in orders if half <= top]


@lru_cache(maxsize=4096)
def fault_size(craft: RigCraft, fault: Fault, sensor: Sensor) -> float:
    """Size of the physical fault that moves the characteristic quantity by `fault.severity` repeatability limits.

    Unit: see `vibekit.rig.forces.fault_lines` (g*mm, N, share of a blade's lift ...), strikes in m/s, a rub in m/s2 per root Hz,
    a cage in depth of modulation, a resonance in 1/kg. The phone's motion sensor, too slow for most, takes the accelerometer's size.
    """
    if fault.condition == "healthy" or fault.severity == 0:
        return 0.0
    sensor = "accelerometer" if sensor == "phone-motion" else sensor
    if fault.condition in HIGH_FREQUENCY:
        return _size_high_band(craft, fault, sensor)
    if fault.condition in ENVELOPE:
        return _size_envelope(craft, fault, sensor)
    return _size_lines(craft, fault, sensor)


def normal(craft: RigCraft, rotor: int, condition: Condition, sensor: Sensor) -> Normal:
    """Healthy mean and standard deviation of the condition's characteristic quantity on this rotor."""
    if condition in HIGH_FREQUENCY:
        return _normal_high_band(craft, rotor, sensor)
    if condition in ENVELOPE:
        return _Band.around_ring(craft, rotor, sensor).normal(_strike_order(craft, rotor, condition) * craft.test_hz)
    return _normal_lines(craft, rotor, condition, sensor)


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


# --- lines -----------------------------------------------------------------------------------------------------------


def _lines_path(craft: RigCraft, rotor: int, sensor: Sensor, orders: list[int], speed: float = 1.0, extra: Mode | None = None) -> Path:
    return path(craft, rotor, sensor, 1, np.array(orders) * craft.test_hz * speed / 2, extra)


def _noise_power(craft: RigCraft, rotor: int, test: Test, way: Path, frequency: Array) -> Array:
    """One-sided PSD of everything random at these frequencies, output squared per Hz."""
    motor = craft.motors[rotor]
    power: Array = way.noise[0] ** 2 + np.abs(way.casing[0] * motor.bearing_noise) ** 2
    if test == "prop":
        force, sound = wash_force(craft, rotor, frequency), wash_sound(craft, rotor, frequency)
        power += np.abs(np.einsum("dk,dk->k", way.force[0], force) + way.air[0] * sound) ** 2
    return power


def _normal_lines(craft: RigCraft, rotor: int, condition: Condition, sensor: Sensor) -> Normal:
    test, orders = sizing_test(condition), sizing_orders(craft, condition)
    lines = healthy_lines(craft, rotor, test)
    way = _lines_path(craft, rotor, sensor, orders)
    heard = lines.heard(way, orders)[0]
    noise = _noise_power(craft, rotor, test, way, np.array(orders) * craft.test_hz / 2) / TAKE_S
    spread = _refit_spread(craft, rotor, sensor) if test == "prop" and orders == [2] else 0.0
    mean, deviation = _rice(math.sqrt(float(np.sum(np.abs(heard) ** 2 + 2 * noise))), spread)

    def total(speed: float) -> float:
        return speed**2 * float(np.linalg.norm(lines.heard(_lines_path(craft, rotor, sensor, orders, speed), orders)))

    by_speed = (total(1 + SPEED_SCATTER) - total(1 - SPEED_SCATTER)) / 2
    by_gain = craft.gain_scatter_db * NEPER_PER_DB * mean
    return Normal(mean, math.sqrt(deviation**2 + by_speed**2 + by_gain**2 + float(np.mean(noise))))


def _refit_spread(craft: RigCraft, rotor: int, sensor: Sensor) -> float:
    """Standard deviation of each component of 1x from fitting the propeller again, in the sensor's unit."""
    gmm = REFIT_MM * craft.prop_g / math.sqrt(2)
    return float(abs(unbalance(craft, gmm).heard(_lines_path(craft, rotor, sensor, [2]), [2])[0, 0]))


def _rice(amplitude: float, spread: float) -> tuple[float, float]:
    """Mean and standard deviation of |amplitude + complex normal noise of `spread` a component| (Rice, Bell Syst. Tech. J. 24, 1945)."""
    node, weight = np.polynomial.hermite_e.hermegauss(16)
    size = np.abs(amplitude + spread * (node[:, None] + 1j * node))
    chance = np.outer(weight, weight) / (2 * np.pi)
    mean = float(np.sum(chance * size))
    return mean, math.sqrt(max(float(np.sum(chance * size**2)) - mean**2, 0.0))


def _size_lines(craft: RigCraft, fault: Fault, sensor: Sensor) -> float:
    condition, rotor = fault.condition, fault.rotor
    test, orders = sizing_test(condition), sizing_orders(craft, condition)
    way = _lines_path(craft, rotor, sensor, orders)
    lines = healthy_lines(craft, rotor, test)
    heard = lines.heard(way, orders)[0]
    if condition == "resonance":
        one = _lines_path(craft, rotor, sensor, orders, extra=resonance_mode(craft, rotor, 1.0))
        pattern = lines.heard(one, orders)[0] - heard
    else:
        pattern = fault_lines(craft, rotor, condition, test).heard(way, orders)[0]
    target = _normal_lines(craft, rotor, condition, sensor).at(fault.severity)
    spread = _refit_spread(craft, rotor, sensor) if test == "prop" and orders == [2] else 0.0
    noise = 2 * _noise_power(craft, rotor, test, way, np.array(orders) * craft.test_hz / 2) / TAKE_S
    return _root(heard, pattern, target**2 - spread**2 - float(np.sum(noise)))


def _root(base: Complex, pattern: Complex, target: float) -> float:
    """The positive x with sum |base + x pattern|^2 = target."""
    a = float(np.sum(np.abs(pattern) ** 2))
    b = float(np.sum((base.conj() * pattern).real))
    c = float(np.sum(np.abs(base) ** 2)) - target
    return (-b + math.sqrt(max(b * b - a * c, 0.0))) / a


# --- high band -------------------------------------------------------------------------------------------------------


def _normal_high_band(craft: RigCraft, rotor: int, sensor: Sensor) -> Normal:
    frequency = np.linspace(*HIGH_BAND, 600)
    step = frequency[1] - frequency[0]
    way = path(craft, rotor, sensor, 1, frequency)
    bearing = float(np.sum(np.abs(way.casing[0] * craft.motors[rotor].bearing_noise) ** 2)) * step
    floor = float(np.sum(way.noise[0] ** 2)) * step
    lines = healthy_lines(craft, rotor, "bare")
    orders = [half for half in np.flatnonzero(lines.casing).tolist() if HIGH_BAND[0] < half * craft.test_hz / 2 < HIGH_BAND[1]]
    tones = 0.5 * float(np.sum(np.abs(lines.heard(_lines_path(craft, rotor, sensor, orders), orders)) ** 2)) if orders else 0.0
    mean = math.sqrt(bearing + floor + tones)
    by_level = craft.level_scatter_db * NEPER_PER_DB * bearing / mean
    by_gain = craft.gain_scatter_db * NEPER_PER_DB * mean
    return Normal(mean, math.hypot(by_level, by_gain))


def _size_high_band(craft: RigCraft, fault: Fault, sensor: Sensor) -> float:
    usual = _normal_high_band(craft, fault.rotor, sensor)
    frequency = np.linspace(*HIGH_BAND, 600)
    casing = path(craft, fault.rotor, sensor, 1, frequency).casing[0]
    passed = float(np.sum(np.abs(casing) ** 2)) * (frequency[1] - frequency[0])
    kind = defect(craft, fault.rotor, fault.condition)
    if kind is None:
        unit = passed * rub_mean_square(craft, fault.rotor)
    else:  # Campbell's theorem: one-sided PSD of random strikes is twice their rate times the mean square of their size
        unit = 2 * kind.order * craft.test_hz * kind.mean_square * passed
    return math.sqrt((usual.at(fault.severity) ** 2 - usual.mean**2) / unit)


# --- envelope --------------------------------------------------------------------------------------------------------


def ring_band(craft: RigCraft, rotor: int) -> tuple[float, float]:
    """Hz, 20 % either side of the casing's stronger resonance, below 10.8 kHz: where the envelope is taken."""
    ring = max(craft.motors[rotor].rings, key=lambda ring: ring.gain / ring.damping)
    return 0.8 * ring.frequency_hz, min(1.2 * ring.frequency_hz, HIGH_BAND[1])


def _strike_order(craft: RigCraft, rotor: int, condition: Condition) -> float:
    kind = defect(craft, rotor, condition)
    return craft.bearing.cage if kind is None else kind.order


@dataclass(frozen=True, slots=True)
class _Band:
    """The ring's band: PSD of the noise in it, the share that is the bearing's, and the casing's gain."""

    step: float
    power: Array
    bearing: Array
    casing: Complex

    @classmethod
    def around_ring(cls, craft: RigCraft, rotor: int, sensor: Sensor) -> "_Band":
        frequency = np.linspace(*ring_band(craft, rotor), 2000)
        way = path(craft, rotor, sensor, 1, frequency)
        bearing = np.abs(way.casing[0] * craft.motors[rotor].bearing_noise) ** 2
        return cls(float(frequency[1] - frequency[0]), bearing + way.noise[0] ** 2, bearing, way.casing[0])

    @property
    def line_noise(self) -> float:
        """Mean-square amplitude of one bin of the squared envelope's spectrum, over the squared mean: 4 int S^2 / (T (int S)^2)."""
        return 4 * float(np.sum(self.power**2)) / (TAKE_S * self.step * float(np.sum(self.power)) ** 2)

    def bins(self, line_hz: float) -> float:
        """How many bins lie within SLIP_BAND of the line, one at least."""
        return max(2 * SLIP_BAND * line_hz * TAKE_S, 1.0)

    def normal(self, line_hz: float) -> Normal:
        """The amplitude squared of K bins of noise is Gamma distributed with shape K."""
        bins = self.bins(line_hz)
        ratio = math.exp(math.lgamma(bins + 0.5) - math.lgamma(bins))
        return Normal(ratio * math.sqrt(self.line_noise), math.sqrt(max(bins - ratio**2, 0) * self.line_noise))

    def strike_line(self, kind: Defect, line_hz: float) -> tuple[float, float]:
        """Unnormalised mean and line amplitude of the squared envelope of strikes of 1 m/s (casing output, one-sided band)."""
        shift = round(line_hz / self.step)
        alike = float(np.sum(np.abs(self.casing) ** 2)) * self.step
        apart = abs(complex(np.sum(self.casing[shift:] * self.casing[: self.casing.size - shift].conj()))) * self.step
        rate = line_hz * kind.mean_square
        return 4 * rate * alike, 8 * rate * apart


def _size_envelope(craft: RigCraft, fault: Fault, sensor: Sensor) -> float:
    band = _Band.around_ring(craft, fault.rotor, sensor)
    kind = defect(craft, fault.rotor, fault.condition)
    line_hz = _strike_order(craft, fault.rotor, fault.condition) * craft.test_hz
    usual = band.normal(line_hz)
    wanted = math.sqrt(max(usual.at(fault.severity) ** 2 - band.bins(line_hz) * band.line_noise, 0.0))
    if kind is None:  # (1 + m cos)^2 of the bearing's noise: a line of 2 m over a mean of 1 + m^2 / 2
        share = float(np.sum(band.bearing)) / float(np.sum(band.power))
        return min(wanted / (2 * share), 0.95)
    mean, line = band.strike_line(kind, line_hz)
    floor = 2 * float(np.sum(band.power)) * band.step
    rest = line - wanted * mean  # (x^2 line) / (floor + x^2 mean) = wanted
    return math.sqrt(wanted * floor / max(rest, 0.1 * line))
