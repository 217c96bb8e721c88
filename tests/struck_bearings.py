"""Records of rolling bearings, independent of the rig and of the kit: spacings of strikes scatter one by one (Antoni & Randall, J. Vib.
Acoust. 125 (2003) 282-289), loads change over a zone (McFadden & Smith, J. Sound Vib. 96 (1984) 69-82), both from memory; casings of one
to three modes, coloured and white noise, mains, whistles, clipping, slow machines and quick motors.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import oaconvolve

from tests.shaft_sounds import coloured, hum, orders, walk
from vibekit.bearing import Bearing

HURT = ("outer", "inner", "ball")
WHOLE = ("sound", "loose", "grit", "neighbour")


@dataclass(frozen=True)
class Record:
    """samples: (n,) float32; turns: (n,); share_db: power of the strikes over all else, in noise of the whole band."""

    samples: np.ndarray
    rate_hz: float
    turns: np.ndarray
    bearing: Bearing
    share_db: float

    @property
    def turns_at_s(self):
        return np.arange(len(self.turns))[::64] / self.rate_hz, self.turns[::64]


def zone(turn, half_width):
    """Stribeck's load over the angle from the middle of its zone."""
    return np.maximum(1 - (1 - np.cos(2 * np.pi * turn)) / (2 * half_width), 0) ** 1.5


def at_turns(turns, where, size):
    """A train (n,) of strikes of these sizes at these turns."""
    inside = (where > turns[0]) & (where < turns[-1])
    return np.bincount(np.searchsorted(turns, where[inside]), weights=size[inside], minlength=len(turns))[: len(turns)]


def strikes(rng, kind, bearing, turns, off):
    """Impulses (n,) of one kind of damage or noise-maker; off: factor of slip on every defect order."""
    total = turns[-1] - turns[0]
    scatter = rng.uniform(0.002, 0.02)

    def every(order):
        return turns[0] + np.cumsum(1 + scatter * rng.normal(size=int(1.1 * total * order) + 20)) / order

    if kind == "outer":
        at = every(bearing.outer * off)
        size = 1 + rng.choice([0, 0, 0.6]) * np.cos(2 * np.pi * at)
    elif kind == "inner":
        at = every(bearing.inner * off)
        size = 0.05 + zone(at, rng.uniform(0.25, 0.8))
    elif kind == "ball":
        at = every(2 * bearing.ball_spin * off)
        size = (0.05 + zone(at * bearing.cage * off, rng.uniform(0.25, 0.8))) * np.where(np.arange(at.size) % 2, 1, rng.uniform(0.3, 1))
    elif kind == "loose":
        at = turns[0] + np.arange(int(total) + 1)
        size = np.exp(0.5 * rng.normal(size=at.size))
    elif kind == "neighbour":
        at = turns[0] + np.arange(int(1.3 * total)) / rng.choice([rng.uniform(0.8, 0.97), rng.uniform(1.03, 1.2)])
        size = np.exp(0.2 * rng.normal(size=at.size))
    else:
        at = turns[0] + total * rng.random(rng.poisson(total * rng.uniform(2, 25)))
        size = np.exp(rng.normal(size=at.size))
    return at_turns(turns, at, size * np.exp(0.15 * rng.normal(size=at.size)))


def draw(rng, kind, share_db=None, *, clipped=None):
    """A record of this kind, all else at random; share_db: of the strikes' power, else from -26 to 3 dB."""
    rate = float(rng.choice([12_000, 48_000]))
    slow = rng.random() < 0.6
    hz = rng.uniform(24, 31) if slow else np.exp(rng.uniform(np.log(50), np.log(200)))
    n = int(rate * (rng.uniform(3, 9) if rate < 20_000 else rng.uniform(2.5, 4)))
    time = np.arange(n) / rate
    speed = walk(rng, n, rate, hz, 10 ** rng.uniform(-4, -3))
    turns = np.cumsum(speed) / rate
    bearing = Bearing(int(rng.choice([7, 8, 9, 10] if slow else [6, 7, 8, 9])), rng.uniform(0.18, 0.28), 1.0)
    off = 1 + rng.uniform(-0.012, 0.008)
    after = time[: int(0.04 * rate)]
    modes = np.exp(rng.uniform(np.log(900 if slow else 2000), np.log(0.42 * rate), rng.integers(1, 4)))
    ring = sum(
        rng.lognormal(0, 0.5) * np.exp(-2 * np.pi * f * rng.uniform(0.01, 0.06) * after) * np.sin(2 * np.pi * f * after) for f in modes
    )
    # the balls of a sound bearing are felt as they pass under load, and so are differences between them once a turn of the cage
    load = 1 + rng.uniform(0.005, 0.025) * np.cos(2 * np.pi * bearing.outer * off * turns)
    load += rng.uniform(0, 0.015) * np.cos(2 * np.pi * bearing.cage * off * turns)
    rolling = oaconvolve(rng.normal(size=n) * load, ring)[:n]
    x = (
        rolling / rolling.std()
        + 10 ** rng.uniform(-1, 0.5) * coloured(rng, n, rng.uniform(0, 1.5))
        + 10 ** rng.uniform(-2, 0.3) * rng.normal(size=n)
    )
    x /= x.std()
    share_db = rng.uniform(-26, 3) if share_db is None else share_db
    if kind != "sound":
        struck = oaconvolve(strikes(rng, kind, bearing, turns, off), ring)[:n]
        x += struck / struck.std() * 10 ** (share_db / 20)
    x += orders(rng, speed, rate, {k: rng.uniform(-20, 6) - 4 * k for k in range(1, 8)})
    if rng.random() < 0.5:
        mains = rng.choice([50, 60])
        x += hum(rng, n, rate, mains, (-40, -10))
        x += rng.normal(size=n) * 10 ** rng.uniform(-1.5, -0.3) * np.abs(np.cos(2 * np.pi * mains * time)) ** rng.choice([0.0, 1.0, 4.0])
    if rng.random() < 0.3:
        x += rng.uniform(0.05, 0.5) * np.cos(2 * np.pi * rng.uniform(2000, 0.45 * rate) * time)
    if rng.random() < 0.15 if clipped is None else clipped:
        top = np.quantile(np.abs(x), rng.uniform(0.99, 0.9998))
        x = np.clip(x, -top, top)
    return Record(x.astype(np.float32), rate, turns, bearing, share_db)
