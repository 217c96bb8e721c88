"""The population from which the rig draws its craft."""

import math
import zlib
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vibekit.bearing import Bearing
from vibekit.errors import UsageError
from vibekit.recording import Sensor
from vibekit.rig.craft import FLICK_HZ, ROTORS, Mode, Motor, RigCraft, Ring, Vector, bell_inertia
from vibekit.rig.forces import healthy_lines
from vibekit.rig.path import path

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Population:
    """Ranges from which craft are drawn; the defaults are those the tables of the catalogue are made from.

    Common practice, no source, where a docstring names none.

    inch: propeller's diameter; tip_m_s: speed of its tips; blades, windings: (poles, slots), each equally likely
    balls: fewest and most; ball_ratio: d/D; pitch_mm: of the bearing
    modes: fewest and most of the arm; mode_hz, damping: of each, none within 15 % of the test speed
    prop_mm, bell_um: residual unbalance; unlike: of the blades, as a share
    noise, wash, hum: of the bearing, the air and the windings, noise and hum as powers of ten
    gain_db, level_db: scatter from take to take; wander: of the speed within a take, as a power of ten
    coast_s: in which dry friction alone would stop a flicked motor; good motors of one craft differ by 5 % in it
    """

    inch: Range = (3, 11)
    tip_m_s: Range = (50, 90)
    blades: tuple[int, ...] = (2, 2, 2, 3, 3, 4)
    windings: tuple[tuple[int, int], ...] = ((14, 12), (12, 9))
    balls: tuple[int, int] = (6, 9)
    ball_ratio: Range = (0.18, 0.30)
    pitch_mm: Range = (6.5, 11)
    modes: tuple[int, int] = (2, 5)
    mode_hz: Range = (60, 1500)
    damping: Range = (0.01, 0.08)
    prop_mm: Range = (0.02, 0.1)
    bell_um: Range = (5, 30)
    unlike: Range = (0.005, 0.03)
    noise: Range = (-3.2, -2.4)
    wash: Range = (0.02, 0.06)
    hum: Range = (-1.6, -0.6)
    gain_db: Range = (0.2, 1.5)
    level_db: Range = (0.3, 1.0)
    wander: Range = (-3, -2)
    coast_s: Range = (1.5, 6)


USUAL = Population()
# any craft, sensor and room that a user may come with
WIDE = Population(
    inch=(2.5, 14),
    tip_m_s=(45, 105),
    blades=(2, 2, 2, 3, 3, 4, 5, 6),
    windings=((14, 12), (12, 9), (8, 9), (10, 12), (16, 12), (20, 18)),
    balls=(6, 11),
    ball_ratio=(0.15, 0.33),
    pitch_mm=(5, 14),
    modes=(1, 7),
    mode_hz=(35, 2500),
    damping=(0.005, 0.1),
    prop_mm=(0.015, 0.2),
    bell_um=(4, 60),
    unlike=(0.003, 0.05),
    noise=(-3.4, -2.0),
    wash=(0.015, 0.12),
    hum=(-1.8, -0.3),
    gain_db=(0.2, 2.2),
    level_db=(0.3, 1.5),
    wander=(-3.0, -1.7),
    coast_s=(1.0, 8.0),
)
# craft to judge the verdicts by: noisier rooms, worse balance, softer frames and livelier speeds than USUAL
ELSEWHERE = Population(
    inch=(2.5, 13),
    tip_m_s=(45, 100),
    blades=(2, 2, 3, 3, 4, 5),
    windings=((14, 12), (12, 9), (10, 12), (8, 9), (16, 18)),
    balls=(7, 10),
    ball_ratio=(0.16, 0.32),
    pitch_mm=(5.5, 13),
    modes=(1, 6),
    mode_hz=(40, 2200),
    damping=(0.006, 0.06),
    prop_mm=(0.03, 0.16),
    bell_um=(8, 50),
    unlike=(0.004, 0.04),
    noise=(-3.0, -2.1),
    wash=(0.03, 0.10),
    hum=(-1.4, -0.4),
    gain_db=(0.4, 2.0),
    level_db=(0.4, 1.4),
    wander=(-2.7, -1.8),
    coast_s=(1.0, 8),
)


def draw_craft(seed: int, population: Population = USUAL) -> RigCraft:
    """A craft from a wide population, the same for the same seed; it runs at 4 000 to 20 000 rpm.

    Raises UsageError for a negative seed.
    """
    if seed < 0:
        raise UsageError(f"seed is {seed}; it must be 0 or above")
    rng = np.random.default_rng([seed, zlib.crc32(b"craft")])
    inch = rng.uniform(*population.inch)
    diameter = 0.0254 * inch
    rpm = float(np.clip(60 * rng.uniform(*population.tip_m_s) / (math.pi * diameter), 4000, 20000))
    blades = int(rng.choice(population.blades))
    poles, slots = population.windings[rng.integers(len(population.windings))]
    prop_g = 4 * (inch / 5) ** 1.7 * rng.lognormal(0, 0.2)
    bell_g = 14 * (inch / 5) ** 1.6 * rng.lognormal(0, 0.2)
    arm_kg = 0.05 * (inch / 5) ** 1.5 * rng.lognormal(0, 0.3)
    pitch_mm = rng.uniform(*population.pitch_mm)
    fewest, most = population.balls
    bearing = Bearing(balls=int(rng.integers(fewest, most + 1)), ball_mm=pitch_mm * rng.uniform(*population.ball_ratio), pitch_mm=pitch_mm)
    modes = _draw_modes(rng, rpm / 60, arm_kg, population)
    rings = (
        Ring(rng.uniform(3000, 6500), rng.uniform(0.03, 0.06), rng.uniform(0.3, 1)),
        Ring(rng.uniform(6500, 10500), rng.uniform(0.02, 0.06), rng.uniform(0.3, 1)),
    )
    noise = 10 ** rng.uniform(*population.noise)
    wash = rng.uniform(*population.wash)
    unlike = rng.uniform(*population.unlike)
    hum = 10 ** rng.uniform(*population.hum)
    flick = 2 * math.pi * float(np.mean(FLICK_HZ))
    dry = bell_inertia(bell_g, diameter) * flick / rng.uniform(*population.coast_s)
    viscous = dry / flick * rng.uniform(0.2, 1)

    def vector(mean_abs: float) -> complex:
        return complex(mean_abs * np.exp(2j * math.pi * rng.random()))

    motors = []
    for _ in range(ROTORS):
        lift = 1 + unlike * rng.standard_normal(blades)
        motors.append(
            Motor(
                bell_gmm=vector(bell_g * 1e-3 * rng.uniform(*population.bell_um)),
                prop_gmm=vector(prop_g * math.exp(rng.uniform(*np.log(population.prop_mm)))),
                lift=tuple(float(value) for value in lift / lift.mean()),
                runout=tuple(vector(3 * rng.lognormal(0, 0.4) / order**2.5) for order in range(2, 13)),
                electrical=tuple(vector(hum * part * rng.lognormal(0, 0.25)) for part in (0.5, 0.5, 0.4, 0.3)),
                bearing_noise=noise * rng.lognormal(0, 0.15),
                wash=wash * rng.lognormal(0, 0.1),
                rings=tuple(
                    Ring(min(r.frequency_hz * rng.normal(1, 0.02), 10800.0), r.damping * rng.lognormal(0, 0.1), r.gain) for r in rings
                ),
                modes=tuple(_scatter(rng, mode) for mode in modes),
                dry_torque=dry * rng.lognormal(0, 0.05),
                viscous_torque=viscous * rng.lognormal(0, 0.05),
            )
        )
    axis = np.array([1.0, rng.uniform(-0.6, 0.6), rng.uniform(0.2, 0.7)])
    axis /= np.linalg.norm(axis)
    craft = RigCraft(
        seed=seed,
        diameter_m=diameter,
        blades=blades,
        poles=poles,
        slots=slots,
        test_rpm=rpm,
        bell_g=bell_g,
        prop_g=prop_g,
        arm_kg=arm_kg,
        bearing=bearing,
        motors=tuple(motors),
        axis=(float(axis[0]), float(axis[1]), float(axis[2])),
        distance_m=rng.uniform(0.2, 0.5),
        echo=tuple((rng.uniform(0.001, 0.015), rng.uniform(0.2, 0.7) * rng.choice([-1.0, 1.0])) for _ in range(rng.integers(3, 7))),
        switching_hz=float(rng.choice([8000, 16000, 24000, 48000])),
        gain_scatter_db=rng.uniform(*population.gain_db),
        level_scatter_db=rng.uniform(*population.level_db),
        wander=10 ** rng.uniform(*population.wander),
        full_scale=1.0,
        full_scale_pa=1.0,
    )
    shake, sound = _usual(craft, "contact"), _usual(craft, "microphone")
    return replace(craft, full_scale=rng.uniform(15, 40) * shake, full_scale_pa=rng.uniform(15, 40) * sound)


def _usual(craft: RigCraft, sensor: Sensor) -> float:
    """Root-sum-square of 1x to 12x with propellers, mean over the motors: the gain is set by it."""
    half = 2 * np.arange(1, 13)
    level = []
    for rotor in range(ROTORS):
        way = path(craft, rotor, sensor, 1, half * craft.test_hz / 2)
        lines = healthy_lines(craft, rotor, "prop", refit_gmm=1j * craft.motors[rotor].prop_gmm)
        level.append(float(np.linalg.norm(lines.heard(way, half))))
    return float(np.mean(level))


def _draw_modes(rng: np.random.Generator, speed_hz: float, arm_kg: float, population: Population) -> list[Mode]:
    modes: list[Mode] = []
    fewest, most = population.modes
    wanted = int(rng.integers(fewest, most + 1))
    while len(modes) < wanted:
        frequency = float(np.exp(rng.uniform(*np.log(population.mode_hz))))
        if abs(frequency / speed_hz - 1) < 0.15:
            continue
        shape = rng.standard_normal(3)
        shape /= np.linalg.norm(shape)
        modes.append(
            Mode(
                frequency_hz=frequency,
                damping=float(np.exp(rng.uniform(*np.log(population.damping)))),
                mass_kg=arm_kg * rng.uniform(1, 5),
                at_motor=_vector(shape),
                at_sensor=_vector(shape * rng.uniform(0.6, 1.1)),
            )
        )
    return modes


def _scatter(rng: np.random.Generator, mode: Mode) -> Mode:
    """The same mode on one of four nominally equal arms."""
    return Mode(
        frequency_hz=mode.frequency_hz * float(np.clip(rng.normal(1, 0.015), 0.96, 1.04)),
        damping=mode.damping * rng.lognormal(0, 0.1),
        mass_kg=mode.mass_kg,
        at_motor=_vector(np.array(mode.at_motor) + 0.05 * rng.standard_normal(3)),
        at_sensor=_vector(np.array(mode.at_sensor) + 0.05 * rng.standard_normal(3)),
    )


def _vector(values: npt.NDArray[np.float64]) -> Vector:
    return float(values[0]), float(values[1]), float(values[2])
