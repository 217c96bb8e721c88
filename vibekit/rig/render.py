"""The spectrum of what one turning rotor makes a sensor feel."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from vibekit.recording import Sensor
from vibekit.rig.clicks import cage_factor, cage_pull, defect, rub_window, strikes
from vibekit.rig.craft import Mode, RigCraft
from vibekit.rig.fault import Fault
from vibekit.rig.forces import CURRENT, Lines, fault_lines, healthy_lines, switching_level, unbalance
from vibekit.rig.hand_spin import cogging_shake
from vibekit.rig.line_quantity import resonance_mode
from vibekit.rig.motion import Motion, drift
from vibekit.rig.path import Path, path
from vibekit.rig.scatter import Scatter
from vibekit.rig.severity import fault_size
from vibekit.rig.wash import wash_force, wash_level, wash_sound
from vibekit.settings import Test, feels_propeller

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

TABLE = 16384  # points over two turns
HAND_SPIN_GAIN = 30.0
NEAR_M = 0.05  # a microphone is held this close to a motor spun by hand
TOUCH, TOUCH_S = 0.5, 0.008  # m/s2 rms at first, and decay of what a finger does to the casing (common practice, no source)
LOOSE = ("loose-mount", "loose-propeller")


@dataclass(frozen=True, slots=True)
class SetUp:
    """What a take is made with: craft, test, sensor with its axes, sample rate, samples in all and thrown away at the start.

    weighted, added_gmm: the rotor that carries added weights, and their unbalance
    """

    craft: RigCraft
    test: Test
    sensor: Sensor
    axes: int
    rate_hz: float
    total: int
    lead: int
    refit: int
    weighted: int = 0
    added_gmm: complex = 0

    @property
    def gain(self) -> float:
        """How far the person turns the gain up: a motor spun by hand is faint."""
        return HAND_SPIN_GAIN if self.test == "hand-spin" and self.sensor in ("microphone", "contact") else 1.0

    @property
    def quiet(self) -> float:
        """Share of the sensor's and the room's noise that is left beside the signal where a microphone is held close."""
        return NEAR_M / self.craft.distance_m if self.test == "hand-spin" and self.sensor == "microphone" else 1.0

    def path(self, rotor: int, extra: Mode | None = None) -> Path:
        """Path from a rotor to the sensor at the frequencies of the take's transform."""
        return _path(self.craft, rotor, self.sensor, self.axes, self.rate_hz, self.total, extra)

    def lines(self, rotor: int, scatter: Scatter) -> Lines:
        """The healthy motor's periodic part in this take."""
        lines = healthy_lines(self.craft, rotor, self.test, scatter.refit_gmm)
        return lines + unbalance(self.craft, self.added_gmm) if self.added_gmm and rotor == self.weighted else lines

    def extra_mode(self, fault: Fault | None) -> Mode | None:
        """The mode a resonance has brought, None for other faults."""
        if fault is None or fault.condition != "resonance" or not fault.severity:
            return None
        return resonance_mode(self.craft, fault.rotor, fault_size(self.craft, fault, self.sensor))

    def fault_lines(self, fault: Fault | None) -> tuple[Lines | None, float]:
        """Periodic part of a fault in this take with its size, (None, 0) without one."""
        if fault is None or fault.condition == "healthy":
            return None, 0.0
        size = fault_size(self.craft, fault, self.sensor)
        return fault_lines(self.craft, fault.rotor, fault.condition, self.test, self.refit) * size, size


@lru_cache(maxsize=4)
def _path(craft: RigCraft, rotor: int, sensor: Sensor, axes: int, rate_hz: float, total: int, extra: Mode | None) -> Path:
    return path(craft, rotor, sensor, axes, fft.rfftfreq(total, 1 / rate_hz), extra)


def one_rotor(setup: SetUp, rotor: int, fault: Fault | None, scatter: Scatter, motion: Motion, rng: np.random.Generator) -> Complex:
    """(axes, total // 2 + 1) transform of the sensor's output for one rotor, without the sensor's own noise."""
    craft = setup.craft
    way = setup.path(rotor, setup.extra_mode(fault))
    lines = setup.lines(rotor, scatter)
    hurt, size = setup.fault_lines(fault)
    loose = hurt if fault is not None and fault.condition in LOOSE else None
    if hurt is not None and loose is None:
        lines += hurt
    square = (motion.speed_hz / craft.test_hz) ** 2
    top = min(0.47 * setup.rate_hz / max(float(motion.speed_hz.max()), 1.0), lines.casing.size / 2)

    force = play(lines.force, motion.turns, top)
    if fault is not None and fault.condition == "bearing-cage":
        force[0] += size * cage_pull(craft, rotor) * np.cos(2 * np.pi * craft.bearing.cage * motion.turns)
    spectrum = _through(way.force, fft.rfft(force * square))
    casing = play(lines.casing[None], motion.turns, top)[0] + _hiss(setup, rotor, fault, size, scatter, motion, rng)
    if setup.test == "hand-spin":
        casing += cogging_shake(craft, rotor, motion.turns)
    if craft.switching_hz < 0.47 * setup.rate_hz:
        weak = 0.5 * size if fault is not None and fault.condition == "electrical" else 0.0
        phase = 2 * np.pi * (rng.random() + craft.switching_hz / setup.rate_hz * np.arange(setup.total))
        casing += (switching_level(craft, rotor, setup.test) + weak * CURRENT[setup.test]) * np.cos(phase)
    spectrum += way.casing * fft.rfft(casing)
    if setup.sensor == "microphone" and lines.air.any():
        spectrum += way.air * fft.rfft(play(lines.air[None], motion.turns, top)[0] * square)
    if feels_propeller(setup.test):
        damage = size if fault is not None and fault.condition == "blade-damage" else 0.0
        level = wash_level(craft, motion, damage) * (scatter.wash * np.sqrt(setup.rate_hz / 2))
        level *= rng.standard_normal(level.size)
        spectrum += _wash_gain(setup, rotor, way) * fft.rfft(level)
    if loose is not None and loose.force.any():
        spectrum += _through(way.force, fft.rfft(_rattle(setup, loose, motion, top, rng) * square))
    return spectrum


def play(lines: Complex, turns: Array, top: float) -> Array:
    """(rows, n) waveform of complex amplitudes at half orders, (rows, m), against turns; orders above `top` are left out.

    Read from a table of two turns by straight lines between its points: exact to 5e-4 of a line at order 84.
    """
    rows, size = lines.shape
    kept = min(size, int(2 * top) + 1, TABLE // 2)
    wave = np.zeros((rows, TABLE // 2 + 1), complex)
    wave[:, :kept] = lines[:, :kept] * (TABLE / 2)
    table = np.empty((rows, TABLE + 1))
    table[:, :-1] = fft.irfft(wave, TABLE)
    table[:, -1] = table[:, 0]
    slope = np.diff(table)
    place = turns * (TABLE / 2)
    place %= TABLE
    index = place.astype(np.intp)
    place -= index
    out = np.empty((rows, turns.size))
    for row in range(rows):
        np.multiply(slope[row].take(index), place, out=out[row])
        out[row] += table[row].take(index)
    return out


def _rattle(setup: SetUp, lines: Lines, motion: Motion, top: float, rng: np.random.Generator) -> Array:
    """(3, n) a loose part's pulses, their size and timing unsteady from second to second."""
    n, rate_hz = motion.turns.size, setup.rate_hz
    size = np.exp(0.25 * drift(rng, n, rate_hz, 0.4) - 0.25**2 / 2)
    timing = 0.008 * drift(rng, n, rate_hz, 0.3)
    return size * play(lines.force, motion.turns + timing, top)


def _hiss(setup: SetUp, rotor: int, fault: Fault | None, size: float, scatter: Scatter, motion: Motion, rng: np.random.Generator) -> Array:
    """(n,) m/s2: what excites the casing at random: the bearing's noise, strikes, a rub."""
    craft = setup.craft
    white = np.sqrt(setup.rate_hz / 2)
    level: Array = motion.speed_hz * (craft.motors[rotor].bearing_noise * scatter.bearing_noise * white / craft.test_hz)
    if fault is not None and fault.condition == "bearing-cage":
        level *= cage_factor(craft, size, motion.turns)
    for at in motion.touched:
        since = np.arange(min(level.size - at, int(8 * TOUCH_S * setup.rate_hz))) / setup.rate_hz if at >= 0 else np.empty(0)
        level[at : at + since.size] += TOUCH * np.exp(-since / TOUCH_S)
    level *= rng.standard_normal(level.size)
    if fault is None or not size:
        return level
    if fault.condition == "rub":
        scrape = rub_window(craft, rotor, motion.turns) * motion.speed_hz * (size * white / craft.test_hz)
        level += scrape * rng.standard_normal(level.size)
    kind = defect(craft, rotor, fault.condition)
    if kind is not None:
        level += size * strikes(rng, kind, motion, craft.test_hz, setup.rate_hz)
    return level


def _wash_gain(setup: SetUp, rotor: int, way: Path) -> Complex:
    frequency = fft.rfftfreq(setup.total, 1 / setup.rate_hz)
    gain: Complex = np.einsum("adk,dk->ak", way.force, wash_force(setup.craft, rotor, frequency))
    if setup.sensor == "microphone":
        gain += way.air * wash_sound(setup.craft, rotor, frequency)
    return gain


def _through(gain: Complex, force: Complex) -> Complex:
    """(axes, n): each axis sums the three directions of the force."""
    return np.stack([axis[0] * force[0] + axis[1] * force[1] + axis[2] * force[2] for axis in gain])
