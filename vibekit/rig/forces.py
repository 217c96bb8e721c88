"""Everything that repeats with the shaft's turns: forces, casing excitation and sound as complex amplitudes against order.

Order h / 2 stands at index h, so that half orders have a place. A force is Re sum_h c[h] exp(i pi h turns), for the test speed.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.rig.craft import Motor, RigCraft, stream
from vibekit.rig.fault import ON_THE_PROPELLER, Condition
from vibekit.rig.path import Path, blade_sound
from vibekit.settings import Test, feels_propeller

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Index = npt.NDArray[np.intp]

TOP_ORDER = 180  # just above twice the cogging order of 14 poles on 12 slots
SIZE = 2 * TOP_ORDER + 1
BLADE_SHARE = 0.7  # of a propeller's mass in its blades (common practice, no source)
CURRENT: dict[Test, float] = {"hand-spin": 0.0, "bare": 0.35, "prop": 1.0, "run-up": 1.0, "flight": 1.0}  # share of the loaded motor's


@dataclass(frozen=True, slots=True)
class Lines:
    """Complex peak amplitudes at half orders, at the craft's test speed.

    force: (3, SIZE) N on the motor, grows with speed squared; casing: (SIZE,) m/s2, at any speed; air: (SIZE,) Pa at 1 m,
    grows with speed squared
    """

    force: Complex
    casing: Complex
    air: Complex

    def __add__(self, other: "Lines") -> "Lines":
        return Lines(self.force + other.force, self.casing + other.casing, self.air + other.air)

    def __mul__(self, factor: float) -> "Lines":
        return Lines(self.force * factor, self.casing * factor, self.air * factor)

    def heard(self, path: Path, half: Index, speed: Array | float = 1.0) -> Complex:
        """(axes, len(half)) complex peak output at half-order indices, at `speed` times the test speed.

        path: asked for at their frequencies
        """
        square = np.square(speed)
        force = np.einsum("adk,dk->ak", path.force, self.force[:, half] * square)
        out: Complex = force + path.casing * self.casing[half] + path.air * self.air[half] * square
        return out


def nothing() -> Lines:
    """No force at all."""
    return Lines(np.zeros((3, SIZE), complex), np.zeros(SIZE, complex), np.zeros(SIZE, complex))


def unbalance(craft: RigCraft, gmm: complex) -> Lines:
    """The turning force F = m r w^2 of an unbalance in g*mm: y follows x by a quarter turn."""
    lines = nothing()
    newton = gmm * 1e-6 * (2 * math.pi * craft.test_hz) ** 2
    lines.force[0, 2] = newton
    lines.force[1, 2] = -1j * newton
    return lines


def blade_sum(lift: tuple[float, ...] | list[float], order: npt.NDArray[np.int64]) -> Complex:
    """sum_b a_b exp(-2 pi i q b / B) at each order q: unlike blades leave the orders that equal ones cancel (Lighthill; Gutin 1936)."""
    blades = len(lift)
    angle = np.exp(-2j * np.pi * np.outer(order, np.arange(blades)) / blades)
    total: Complex = angle @ np.asarray(lift)
    return total


def blade_lines(craft: RigCraft, lift: tuple[float, ...] | list[float]) -> Lines:
    """Axial and side force of the lift pulses of blades passing over the arm, and their sound.

    A blade's pulse is a Gaussian in angle of 12 degrees; its harmonics, 12 % of the lift at first, fall as exp(-(q w)^2 / 2).
    """
    lines = nothing()
    order = np.arange(1, 13 * craft.blades)
    pulse = np.exp(-((order * math.radians(12)) ** 2) / 2) * blade_sum(lift, order) / craft.blades
    lines.force[2, 2 * order] = 0.12 * craft.thrust_n * pulse
    lines.force[0, 2 * order] = 0.06 * craft.thrust_n * pulse
    sound = np.exp(-(order - 1) / (3 * craft.blades)) * blade_sum(lift, order) / craft.blades
    lines.air[2 * order] = blade_sound(craft) * sound * np.exp(1j * order)
    return lines


def magnet_lines(craft: RigCraft, motor: Motor, test: Test) -> Lines:
    """Runout harmonics of the bell and the electromagnetic lines.

    Pole-pair order p = poles / 2, commutation at 6 p, cogging at LCM(slots, poles) (Bianchi & Bolognani, IEEE Trans. Ind. Appl. 38,
    2002; Hanselman, Brushless Permanent Magnet Motor Design, 2nd ed. 2003). Cogging stays without current.
    """
    lines = nothing()
    micrometre = abs(unbalance(craft, craft.bell_g * 1e-3).force[0, 2])
    for order, part in enumerate(motor.runout, start=2):
        lines.force[0, 2 * order] = part * micrometre
    pair, current = craft.poles // 2, CURRENT[test]
    for order, part in zip((pair, 2 * pair, 6 * pair), motor.electrical, strict=False):
        lines.casing[2 * order] += part * current
    lines.casing[2 * math.lcm(craft.slots, craft.poles)] += motor.electrical[3]
    return lines


def switching_level(craft: RigCraft, rotor: int, test: Test) -> float:
    """Casing acceleration, m/s2 peak, at the controller's switching frequency (common practice, no source)."""
    return 0.5 * abs(craft.motors[rotor].electrical[2]) * (CURRENT[test] > 0)


def healthy_lines(craft: RigCraft, rotor: int, test: Test, refit_gmm: complex = 0) -> Lines:
    """Everything periodic in a motor without a fault; `refit_gmm` is what fitting the propeller again added to its unbalance."""
    motor = craft.motors[rotor]
    lines = unbalance(craft, motor.bell_gmm) + magnet_lines(craft, motor, test)
    if feels_propeller(test):
        lines += unbalance(craft, motor.prop_gmm + refit_gmm) + blade_lines(craft, motor.lift)
    return lines


def fault_lines(craft: RigCraft, rotor: int, condition: Condition, test: Test, refit: int | None = None) -> Lines:
    """Periodic part of a fault of unit size; zeros where the condition has none or the test cannot show it.

    What a size of 1 is: prop-imbalance, rotor-imbalance 1 g*mm; blade-damage the whole lift of one blade; bent-shaft the turning
    force of 1 g*mm; loose-mount, loose-propeller reaction pulses of 1 N; electrical 1 m/s2 at twice the pole-pair order.
    refit: fitting of a loose propeller, which changes its gap; None for a typical one
    """
    if condition in ON_THE_PROPELLER and not feels_propeller(test):
        return nothing()
    rng = stream(craft, "fault", condition, rotor)
    turn = complex(np.exp(2j * math.pi * rng.random()))
    if condition in ("prop-imbalance", "rotor-imbalance"):
        return unbalance(craft, turn)
    if condition == "blade-damage":
        return _damaged_blade(craft, rng)
    if condition == "bent-shaft":
        return _bent_shaft(craft, rng, turn)
    if condition in ("loose-mount", "loose-propeller"):
        fitted = condition == "loose-propeller" and refit is not None
        return _stop_reaction(rng, stream(craft, "gap", rotor, refit or 0) if fitted else None)
    if condition == "electrical":
        return _weak_phase(craft, rng, test)
    return nothing()


def _damaged_blade(craft: RigCraft, rng: np.random.Generator) -> Lines:
    """A nick takes lift from one blade and, with it, some mass at three quarters of its radius."""
    hurt = int(rng.integers(craft.blades))
    lift = [-1.0 if blade == hurt else 0.0 for blade in range(craft.blades)]
    blade_g = BLADE_SHARE * craft.prop_g / craft.blades
    lost_gmm = rng.uniform(0.02, 0.12) * blade_g * 0.75 * craft.diameter_m / 2 * 1e3
    return blade_lines(craft, lift) + unbalance(craft, -lost_gmm * complex(np.exp(-2j * math.pi * hurt / craft.blades)))


def _bent_shaft(craft: RigCraft, rng: np.random.Generator, turn: complex) -> Lines:
    """1x and 2x, radial and strongly axial (Eisenmann & Eisenmann, Machinery Malfunction Diagnosis and Correction, 1998: from memory)."""
    lines = unbalance(craft, turn)
    newton = lines.force[0, 2]
    phase = np.exp(2j * math.pi * rng.random(3))
    lines.force[2, 2] = rng.uniform(0.8, 1.5) * newton * phase[0]
    lines.force[0, 4] = rng.uniform(0.5, 0.9) * newton * phase[1]
    lines.force[2, 4] = rng.uniform(0.4, 0.8) * newton * phase[2]
    return lines


def _stop_reaction(rng: np.random.Generator, fit: np.random.Generator | None) -> Lines:
    """Once a turn the motion closes a gap; every second time harder: a comb of 1x harmonics and half orders.

    Reaction of a stop to a sine, F ~ (x - gap)^1.5 (Hertz), unlike in alternate turns: sub-harmonic rubs and truncated waves after
    Goldman & Muszynska, J. Eng. Gas Turbines Power 116 (1994) 692 (from memory). fit: changes gap, size and angle; None for typical.
    """
    direction = rng.standard_normal(3)
    points, top = 2048, 81
    turns = np.arange(points) * 2 / points
    gap = (0.6, 0.8) if fit is None else (fit.uniform(0.5, 0.7), fit.uniform(0.7, 0.9))
    reaction = np.maximum(np.cos(2 * np.pi * (turns - 0.5)) - np.where(turns < 1, *gap), 0) ** 1.5
    comb = 2 * np.fft.rfft(reaction / reaction.max())[:top] / points
    if fit is not None:
        comb *= fit.lognormal(0, 0.25) * np.exp(-0.5j * np.arange(top) * fit.uniform(0, 4 * np.pi))
    comb[0] = 0
    lines = nothing()
    lines.force[:, :top] = np.outer(direction / np.linalg.norm(direction), comb)
    return lines


def _weak_phase(craft: RigCraft, rng: np.random.Generator, test: Test) -> Lines:
    """One weak phase: twice the pole-pair order, the pole-pair order itself, and 6 times it with its neighbours raised."""
    lines = nothing()
    pair, current = craft.poles // 2, CURRENT[test]
    for order, part in ((pair, 0.4), (2 * pair, 1.0), (4 * pair, 0.3), (6 * pair, 0.8)):
        lines.casing[2 * order] += current * part * rng.lognormal(0, 0.2) * np.exp(2j * math.pi * rng.random())
    for neighbour in (-2, -1, 1, 2):
        lines.casing[2 * (6 * pair + neighbour)] += current * 0.25 * rng.lognormal(0, 0.3) * np.exp(2j * math.pi * rng.random())
    return lines
