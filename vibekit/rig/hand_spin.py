"""A rotor flicked by a finger: friction, cogging and a controller's brake slow it until cogging holds it."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vibekit.rig.craft import FLICK_HZ, RigCraft, bell_inertia, stream
from vibekit.rig.fault import Fault
from vibekit.rig.motion import Motion, drift

Array = npt.NDArray[np.float64]

FLICK_SCATTER = 0.04  # from flick to flick: grease and balls lie otherwise each time
UNEVEN = 0.05  # of a good motor's dry friction along the way
UNEVEN_TURNS = 0.2  # over which it stays alike
HELD_RPM = (25.0, 75.0)  # speeds at which cogging catches a small motor (common practice, no source)
PUSH_S = 0.15  # finger on the bell
REST_S = (0.4, 0.9)  # before each flick
FINE = 16  # steps of angle in a period of the cogging torque


@dataclass(frozen=True, slots=True)
class Rotor:
    """What turns and what slows it: J dw/dt = -(a (1 + uneven g) + b w + c w^2) - T sin(N angle).

    inertia: J, kg*m2; dry, viscous, drag: a (N*m), b (N*m*s), c (N*m*s2); cogging: T (N*m); order: N, periods of it a turn
    uneven: standard deviation of the dry friction along the way, as a share of it
    A controller that joins the windings brakes with k^2 w / R, which is viscous (Hanselman, Brushless Permanent Magnet Motor Design).
    """

    inertia: float
    dry: float
    viscous: float
    drag: float = 0.0
    cogging: float = 0.0
    order: int = 84
    uneven: float = 0.0


@dataclass(frozen=True, slots=True)
class Flick:
    """One flick: when the finger let go and when the rotor stood, s from the start of the recording, and what slowed it.

    first_hz: speed it was given; dry_hz2, viscous_hz: a / (2 pi J) in turns/s2 and b / J in 1/s
    """

    release_s: float
    stop_s: float
    first_hz: float
    dry_hz2: float
    viscous_hz: float


def coast_down(rng: np.random.Generator, rotor: Rotor, first_hz: float) -> tuple[Array, Array, Array]:
    """Time since the finger let go (s), turns, and speed (Hz) until the rotor stands, (k,) each.

    The energy J w^2 / 2 - T cos(N angle) / N falls by the work of friction alone, so it is stepped once a period of cogging; between,
    time follows from w^2, which is straight in the angle where the torque is constant: exact there to the very end.
    """
    period, j = 2 * math.pi / rotor.order, rotor.inertia
    well = rotor.cogging / rotor.order
    energy = j * (2 * math.pi * first_hz) ** 2 / 2 - well
    longest = int(1.5 * (energy + well) / max(rotor.dry * period, 1e-15)) + rotor.order
    along = np.maximum(1 + rotor.uneven * drift(rng, longest, rotor.order, UNEVEN_TURNS), 0.2).tolist() if rotor.uneven else [1.0]
    levels = [energy]
    while energy > -well and len(levels) <= longest:
        dry = rotor.dry * along[(len(levels) - 1) % len(along)]
        lost = _work(rotor, dry, energy, period)
        lost = (lost + _work(rotor, dry, energy - lost, period)) / 2
        energy -= lost
        levels.append(energy)
    angle = np.arange(FINE * (len(levels) - 1) + 1) * (period / FINE)
    level = np.interp(angle, period * np.arange(len(levels)), levels)
    square = 2 / j * (level + well * np.cos(rotor.order * angle))
    held = np.flatnonzero(square <= 0)
    last = int(held[0]) if held.size else square.size - 1
    speed = np.sqrt(np.maximum(square[: last + 1], 0))
    if held.size:  # the last step ends where w^2, a straight line, comes to 0
        angle[last] = angle[last - 1] + (angle[last] - angle[last - 1]) * square[last - 1] / (square[last - 1] - square[last])
    angle = angle[: last + 1]
    time = np.concatenate(([0.0], np.cumsum(2 * np.diff(angle) / (speed[1:] + speed[:-1]))))
    back = _rock(rotor, float(angle[-1])) if rotor.cogging else np.empty((3, 0))
    return (
        np.concatenate((time, time[-1] + back[0])),
        np.concatenate((angle, back[1])) / (2 * math.pi),
        np.concatenate((speed, np.abs(back[2]))) / (2 * math.pi),
    )


def _work(rotor: Rotor, dry: float, energy: float, angle: float) -> float:
    """Work of friction over an angle at the speed that this energy gives between the cogging torque's hills."""
    speed = math.sqrt(max(2 * energy / rotor.inertia, 0.0))
    return angle * (dry + rotor.viscous * speed + rotor.drag * speed**2)


def _rock(rotor: Rotor, angle: float) -> Array:
    """(3, k) time, angle and speed of the rotor rocking in the cogging well that holds it, by small steps."""
    natural = math.sqrt(rotor.cogging * rotor.order / rotor.inertia)
    step, time, speed = 0.05 / natural, 0.0, 0.0
    path = []
    while time < 40 / natural:
        pull = -rotor.cogging * math.sin(rotor.order * angle) / rotor.inertia
        rub = rotor.dry / rotor.inertia
        if abs(pull) <= rub and abs(speed) <= rub * step:
            break
        speed += step * (pull - rotor.viscous / rotor.inertia * speed)
        speed = math.copysign(max(abs(speed) - rub * step, 0.0), speed)
        angle += step * speed
        time += step
        path.append((time, angle, speed))
    return np.array(path).T.reshape(3, -1)


def rotor_of(craft: RigCraft, number: int, fault: Fault | None) -> Rotor:
    """The bare rotor; grit and a rub raise its dry friction by 30 % a repeatability limit and make it uneven (no source)."""
    motor = craft.motors[number]
    inertia, order = bell_inertia(craft.bell_g, craft.diameter_m), math.lcm(craft.poles, craft.slots)
    rough = fault.severity if fault is not None and fault.condition in ("bearing-grit", "rub") else 0.0
    held = 2 * math.pi * stream(craft, "held", number).uniform(*HELD_RPM) / 60
    return Rotor(
        inertia,
        dry=motor.dry_torque * (1 + 0.3 * rough),
        viscous=motor.viscous_torque,
        cogging=inertia * order * held**2 / 4,  # J w^2 / 2 = 2 T / N: the energy to climb from well to well
        order=order,
        uneven=UNEVEN * (1 + rough),
    )


def cogging_shake(craft: RigCraft, number: int, turns: Array) -> Array:
    """(n,) m/s2 of the casing under the reaction to the cogging torque, which a rotor turned by hand makes stronger than all else.

    The torque turns the motor with its arm, a body of the arm's mass a quarter of the propeller's diameter away, and half of what the
    casing does points at the sensor. A second harmonic, and the orders of unlike magnets (slots) and unlike teeth (poles), beside it
    (Islam, Mir & Sebastian, IEEE Trans. Ind. Appl. 40 (2004) 813: from memory); their shares have no source.
    """
    rotor = rotor_of(craft, number, None)
    unlike = stream(craft, "unlike magnets", number).uniform(0.02, 0.15, 2)
    shares = ((rotor.order, 1.0), (2 * rotor.order, 0.25), (craft.slots, float(unlike[0])), (craft.poles, float(unlike[1])))
    wave = sum(share * np.sin(2 * np.pi * order * turns) for order, share in shares)
    size = 0.5 * rotor.cogging * 0.1 * craft.diameter_m / (craft.arm_kg * (craft.diameter_m / 4) ** 2)
    return np.asarray(size * wave)


@dataclass(frozen=True, slots=True)
class Spins:
    """Several flicks of one rotor. flicks: what is true of each; falls: time since the release, turns and speed of each."""

    flicks: tuple[Flick, ...]
    falls: tuple[tuple[Array, Array, Array], ...]

    @property
    def end_s(self) -> float:
        """From the start until half a second after the rotor stands for the last time."""
        return self.flicks[-1].stop_s + 0.5

    def motion(self, rng: np.random.Generator, n: int, lead: int, rate_hz: float) -> Motion:
        """Turns and speed at n samples, the recording beginning after `lead` of them."""
        now = (np.arange(n) - lead) / rate_hz
        turns, speed = np.full(n, rng.random()), np.zeros(n)
        for flick, (time, angle, hz) in zip(self.flicks, self.falls, strict=True):
            since = now - flick.release_s
            push = np.clip(1 + since / PUSH_S, 0, 1)
            turns += flick.first_hz * PUSH_S / 2 * push**2 + np.interp(since, time, angle)
            speed += np.where(since < 0, flick.first_hz * push, np.interp(since, time, hz, right=0.0))
        touches = tuple(s for f in self.flicks for s in (f.release_s - PUSH_S, f.release_s))
        return Motion(turns, speed, tuple(lead + round(s * rate_hz) for s in touches))


def draw_spins(craft: RigCraft, number: int, take: int, flicks: int, fault: Fault | None = None) -> Spins:
    """The flicks of one take."""
    rng = stream(craft, "flick", number, take)
    base = rotor_of(craft, number, fault)
    start, drawn, falls = 0.0, [], []
    for _ in range(flicks):
        scatter = rng.lognormal(0, FLICK_SCATTER)
        rotor = replace(base, dry=base.dry * scatter, viscous=base.viscous * scatter)
        first = rng.uniform(*FLICK_HZ)
        fall = coast_down(rng, rotor, first)
        release = start + rng.uniform(*REST_S) + PUSH_S
        start = release + float(fall[0][-1])
        drawn.append(Flick(release, start, first, rotor.dry / (2 * math.pi * rotor.inertia), rotor.viscous / rotor.inertia))
        falls.append(fall)
    return Spins(tuple(drawn), tuple(falls))
