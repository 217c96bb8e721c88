"""Which shaft speed explains the lines of a spectrum: a comb of orders, weighed against its rivals.

Each candidate speed is asked the same question about the same spectrum: how likely are lines, and no lines, where its orders lie?
A line there speaks for it as its rarity in noise says (the upper bound of Sellke, Bayarri & Berger, Am. Stat. 55 (2001) 62-71,
taken as the Bayes factor of a Beta alternative); a missing line speaks against it as strongly as that order is expected. Half the
true speed explains all lines and misses every second order; twice the true speed misses none and leaves the odd orders unexplained.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.lines import Lines, is_mains
from vibekit.settings import Settings

Array = npt.NDArray[np.float64]
SLOWEST_HZ, FASTEST_HZ = 5.0, 1000.0
HIGHEST_ORDER = 24
SHAPE = 0.1  # of the Beta(SHAPE, 1) alternative: a real line is rare by some unknown orders of magnitude
WANDER = 1e-3  # relative scatter of an order's line that is still called the same line


@dataclass(frozen=True, slots=True)
class Candidate:
    """One shaft speed in Hz with its evidence: log of the likelihood ratio against "no shaft"; lines: (order, Hz, excess) found."""

    hz: float
    evidence: float
    lines: tuple[tuple[int, float, float], ...]


def candidates(lines: Lines, settings: Settings, low_hz: float = SLOWEST_HZ, high_hz: float = FASTEST_HZ) -> list[Candidate]:
    """Shaft speeds that explain the lines, best first; two within 1 % of each other count as one."""
    start = _fractions(lines, settings, low_hz, high_hz)
    if not start.size:
        return []
    speed, found = _follow(lines, start)
    inside = (speed >= low_hz) & (speed <= high_hz)
    speed, found = speed[inside], found[:, inside]
    if not speed.size:
        return []
    evidence = _evidence(lines, speed, found, settings)
    chosen: list[Candidate] = []
    for i in np.argsort(-evidence):
        if all(abs(speed[i] / c.hz - 1) > 0.01 for c in chosen):
            at = [(k + 1, int(j)) for k, j in enumerate(found[:, i]) if j >= 0]
            table = tuple((k, float(lines.frequency[j]), float(lines.excess[j])) for k, j in at)
            chosen.append(Candidate(float(speed[i]), float(evidence[i]), table))
        if len(chosen) == 12:
            break
    return chosen


def expected_orders(settings: Settings, blades: int | None) -> Array:
    """Chance that each order 1 ... HIGHEST_ORDER stands out of the noise, (HIGHEST_ORDER,); common practice, no source."""
    order = np.arange(1, HIGHEST_ORDER + 1)
    chance = np.where(order == 1, 0.85, 0.45 * 0.85 ** (order - 2.0))
    chance = np.maximum(chance, 0.05)
    if blades and blades > 1:
        chance = np.where(order % blades == 0, np.maximum(0.9 * 0.8 ** (order / blades - 1), chance), chance)
    if settings.poles:
        pairs = settings.poles // 2
        for multiple in (pairs, 2 * pairs, 6 * pairs):
            if multiple <= HIGHEST_ORDER:
                chance[multiple - 1] = max(chance[multiple - 1], 0.5)
    return chance


def _fractions(lines: Lines, settings: Settings, low_hz: float, high_hz: float) -> Array:
    """First guesses: the strongest lines, each taken as order 1, 2, 3 ... of a shaft."""
    usable = np.flatnonzero(~is_mains(lines.frequency, lines.step_hz) & (lines.rarity > 2))
    strongest: list[int] = []
    for low, high in ((0.0, 120.0), (120.0, 400.0), (400.0, 1200.0), (1200.0, np.inf)):
        band = usable[(lines.frequency[usable] >= low) & (lines.frequency[usable] < high)]
        strongest += list(band[np.argsort(-lines.excess[band])][:8])
    orders = sorted(
        {1, 2, 3, 4, 5, 6} | ({settings.blades} if settings.blades else set()) | ({settings.poles // 2} if settings.poles else set())
    )
    guess = (lines.frequency[strongest][:, None] / np.array(orders)).ravel()
    return np.unique(np.round(guess[(guess >= low_hz * 0.99) & (guess <= high_hz * 1.01)], 6))


def _follow(lines: Lines, start: Array) -> tuple[Array, npt.NDArray[np.intp]]:
    """Climb the orders one by one, each line found sharpening the speed. Returns speeds (m,) and line indices (orders, m), -1: none."""
    speed = start.copy()
    weight = np.full(start.size, 0.25)  # of the first guess, in units of one order-1 line
    total = weight * speed
    found = np.full((HIGHEST_ORDER, start.size), -1, dtype=np.intp)
    for order in range(1, HIGHEST_ORDER + 1):
        target = order * speed
        best = lines.best_near(target, _reach(lines, target))
        best[target > lines.top_hz] = -1
        found[order - 1] = best
        good = (best >= 0) & (lines.rarity[best] > 3) & ~is_mains(target, lines.step_hz)
        gain = np.where(good, float(order) ** 2 * np.minimum(lines.excess[best], 1e3), 0.0)
        weight = weight + gain
        total = total + gain * lines.frequency[best] / order
        speed = total / weight
    return speed, found


def _reach(lines: Lines, target: Array) -> Array:
    return 0.6 * lines.step_hz + WANDER * target


def _evidence(lines: Lines, speed: Array, found: npt.NDArray[np.intp], settings: Settings) -> Array:
    order = np.arange(1, HIGHEST_ORDER + 1)[:, None]
    target = order * speed
    rarity = np.where(found >= 0, lines.rarity[found], 0.0)
    expected_number = 2 * _reach(lines, target) * lines.density
    chance = -np.expm1(-expected_number * np.exp(-rarity))  # of a line as rare as this in the window, from noise alone
    factor = SHAPE * np.maximum(chance, 1e-12) ** (SHAPE - 1)
    blind = (target > lines.top_hz) | is_mains(target, lines.step_hz)
    totals = []
    for blades in _blade_counts(settings):
        expected = expected_orders(settings, blades)[:, None]
        gain = np.log(1 - expected + expected * factor)
        totals.append(np.where(blind, 0.0, gain).sum(axis=0))
    stack = np.array(totals)
    top = stack.max(axis=0)
    mean: Array = top + np.log(np.exp(stack - top).mean(axis=0))
    return mean


def _blade_counts(settings: Settings) -> tuple[int | None, ...]:
    if settings.test in ("bare", "hand-spin"):
        return (None,)
    if settings.blades:
        return (settings.blades,)
    return (None, 2, 3, 4, 5)
