"""How the rotors of the rig turn: speed and turns against time."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Motion:
    """Turns of one rotor since an arbitrary start, and its speed in Hz; both (n,). touched: samples at which a finger comes or goes."""

    turns: Array
    speed_hz: Array
    touched: tuple[int, ...] = ()


def integrate(rng: np.random.Generator, speed_hz: Array, rate_hz: float) -> Motion:
    """Turns from speed, starting at a random angle."""
    turns = np.cumsum(speed_hz)
    turns /= rate_hz
    turns += rng.random() - turns[0]
    return Motion(turns, speed_hz)


def drift(rng: np.random.Generator, n: int, rate_hz: float, memory_s: float) -> Array:
    """Ornstein-Uhlenbeck process of unit variance, (n,), drawn every fifth of its memory and joined by straight lines.

    Source: Uhlenbeck & Ornstein, Phys. Rev. 36 (1930) 823: correlation exp(-|tau| / memory).
    """
    step_s = memory_s / 5
    count = math.ceil(n / rate_hz / step_s) + 2
    keep = math.exp(-step_s / memory_s)
    push = math.sqrt(1 - keep**2)
    value = rng.standard_normal()
    knots = [value]
    for kick in rng.standard_normal(count - 1).tolist():
        value = keep * value + push * kick
        knots.append(value)
    return np.interp(np.arange(n) / (rate_hz * step_s), np.arange(count), knots)


def steady(rng: np.random.Generator, mean_hz: float, wander: float, n: int, rate_hz: float) -> Motion:
    """Constant speed with a slow wander: `wander` is its standard deviation as a share of the speed."""
    return integrate(rng, mean_hz * (1 + wander * drift(rng, n, rate_hz, rng.uniform(0.3, 1.5))), rate_hz)


def run_up(rng: np.random.Generator, first_hz: float, last_hz: float, wander: float, n: int, lead: int, rate_hz: float) -> Motion:
    """Speed rising in a straight line from `first_hz` (held for `lead` samples) to `last_hz`."""
    ramp = np.clip((np.arange(n) - lead) / max(n - lead, 1), 0, None)
    speed = (first_hz + (last_hz - first_hz) * ramp) * (1 + wander * drift(rng, n, rate_hz, 1.0))
    return integrate(rng, speed, rate_hz)
