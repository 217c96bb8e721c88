"""What excites the motor's casing at several kHz: bearing noise, grit, race defects, a worn cage, a rub."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.rig.craft import RigCraft, stream
from vibekit.rig.fault import Condition
from vibekit.rig.motion import Motion

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Defect:
    """How one fault strikes.

    order: strikes a turn; slip: standard deviation of the spacing, as a share of it; modulation: depth and order of the load's change
    spread: standard deviation of the logarithm of a strike's size (0: all alike); at_random: Poisson instants instead of regular ones
    """

    order: float
    slip: float
    modulation: float
    modulation_order: float
    spread: float = 0.0
    at_random: bool = False

    @property
    def mean_square(self) -> float:
        """Mean square of a strike's size for a median of 1."""
        return math.exp(2 * self.spread**2) * (1 + self.modulation**2 / 2)


def defect(craft: RigCraft, rotor: int, condition: Condition) -> Defect | None:
    """How this condition strikes on this rotor, None when it does not.

    Race and ball faults: impulses with random slip and load-zone modulation (Antoni, J. Sound Vib. 304 (2007) 497; Randall & Antoni,
    Mech. Syst. Signal Process. 25 (2011) 485, section 2): inner race modulated by the shaft, ball by the cage. Grit: Poisson instants,
    5 to 25 a turn, sizes spread over decades (common practice, no source).
    """
    rng = stream(craft, "strikes", condition, rotor)
    bearing, slip = craft.bearing, rng.uniform(0.01, 0.02)
    if condition == "bearing-outer":
        return Defect(bearing.outer, slip, 0.0, 1.0, 0.1)
    if condition == "bearing-inner":
        return Defect(bearing.inner, slip, rng.uniform(0.4, 0.8), 1.0, 0.1)
    if condition == "bearing-ball":
        return Defect(2 * bearing.ball_spin, slip, rng.uniform(0.4, 0.8), bearing.cage, 0.1)
    if condition == "bearing-grit":
        return Defect(rng.uniform(5, 25), 1.0, rng.uniform(0, 0.3), 1.0, rng.uniform(0.8, 1.2), at_random=True)
    return None


def strikes(rng: np.random.Generator, kind: Defect, motion: Motion, test_hz: float, rate_hz: float) -> Array:
    """(n,) m/s2: a train of strikes of 1 m/s each at the test speed, one sample wide, growing with speed."""
    first, last = motion.turns[0], motion.turns[-1]
    expected = (last - first) * kind.order
    if kind.at_random:
        where = first + (last - first) * rng.random(rng.poisson(expected))
    else:
        spacing = 1 + kind.slip * rng.standard_normal(int(expected * 1.1) + 20)
        where = first + (np.cumsum(spacing) - rng.random()) / kind.order
        where = where[where < last]
    where = where[where >= first]
    sample = np.searchsorted(motion.turns, where)
    size = np.exp(kind.spread * rng.standard_normal(where.size))
    size *= 1 + kind.modulation * np.cos(2 * np.pi * kind.modulation_order * where)
    size *= rate_hz * motion.speed_hz[sample] / test_hz
    train: Array = np.bincount(sample, weights=size, minlength=motion.turns.size)[: motion.turns.size].astype(np.float64, copy=False)
    return train


def rub_window(craft: RigCraft, rotor: int, turns: Array) -> Array:
    """(n,) how hard the bell scrapes: one burst a turn, a raised cosine to a high power, 5 to 20 % of the turn wide."""
    rng = stream(craft, "rub", rotor)
    sharpness = 1 / (1 - math.cos(math.pi * rng.uniform(0.05, 0.2)))
    burst: Array = np.exp(sharpness * (np.cos(2 * np.pi * (turns - rng.random())) - 1))
    return burst


def rub_mean_square(craft: RigCraft, rotor: int) -> float:
    """Mean square of the rub window over a turn."""
    return float(np.mean(rub_window(craft, rotor, np.arange(512) / 512) ** 2))


def cage_factor(craft: RigCraft, depth: float, turns: Array) -> Array:
    """(n,) what a worn cage does to the bearing's noise: it swells and fades with the cage's turns."""
    factor: Array = 1 + depth * np.cos(2 * np.pi * craft.bearing.cage * turns)
    return factor


def cage_pull(craft: RigCraft, rotor: int) -> float:
    """N at the cage's order for full modulation: the bell follows its worn cage with 10 to 50 % of its own unbalance (no source)."""
    share = stream(craft, "cage", rotor).uniform(0.1, 0.5)
    return share * abs(craft.motors[rotor].bell_gmm) * 1e-6 * (2 * math.pi * craft.test_hz) ** 2
