"""How the rotors of the rig turn: speed and turns against time."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Motion:
    """Turns of one rotor since an arbitrary start, and its speed in Hz; both (n,)."""

    turns: Array
    speed_hz: Array


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


def coast_down(
    rng: np.random.Generator,
    first_hz: float,
    inertia: float,
    dry: float,
    viscous: float,
    drag: float,
    roughness: float,
    n: int,
    lead: int,
    rate_hz: float,
) -> tuple[Motion, float]:
    """A flick of the finger, then J dw/dt = -(a + b w + c w^2) until it stands; also the time from the flick to the stop, s.

    dry, viscous, drag: a (N*m), b (N*m*s), c (N*m*s2); roughness: standard deviation of a along the way, as a share of it.
    The flick takes the last fifth of a second of the lead. Solved as t(w) by quadrature, which needs no steps in time.
    """
    w = np.linspace(2 * math.pi * first_hz, 0, 4001)
    torque = dry * np.maximum(1 + roughness * drift(rng, w.size, 1.0, 60.0), 0.2) + viscous * w + drag * w**2
    slowness = inertia / torque
    time = np.concatenate(([0.0], np.cumsum((slowness[1:] + slowness[:-1]) / 2 * -np.diff(w))))
    since = (np.arange(n) - lead) / rate_hz
    speed = np.interp(since, time, w / (2 * math.pi), right=0.0)
    speed = np.where(since < 0, first_hz * np.clip(1 + since / 0.2, 0, None), speed)
    return integrate(rng, speed, rate_hz), float(time[-1])
