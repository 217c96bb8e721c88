"""Which of several combs is the shaft, and how surely."""

from dataclasses import dataclass

import numpy as np

from vibekit.comb import Comb
from vibekit.settings import Settings

OWN_RIGHT = 8.0  # evidence from which a comb is there whatever else is
RACE = 3.0  # the same, where a faster comb lies at an order that the bearing gives it
SLIP = 0.015
UNRELATED_LEAD = 1.0  # log odds of the slower of two unrelated combs: lines of bearings and other shafts lie above the shaft more often
RACE_LEAD = 4.0


@dataclass(frozen=True, slots=True)
class Choice:
    """The comb chosen, its evidence against "no shaft", the probability that it is the shaft, and its rivals with theirs."""

    comb: Comb
    evidence: float
    confidence: float
    rivals: tuple[tuple[Comb, float], ...]


def choose(combs: list[Comb], settings: Settings) -> Choice:
    """Weigh combs whose speeds are simple ratios of each other over the band they share; of unrelated combs take the slower.

    combs: at least one, best first
    """
    best = _best_of_family(combs[0], combs)
    others: list[tuple[float, Comb]] = []
    slower = next((comb for comb in combs if is_slower_shaft(comb, best, settings)), None)
    if slower:
        shaft = _best_of_family(slower, [comb for comb in combs if comb is not best and not related(comb.hz, best.hz)])
        others = [(RACE_LEAD if is_race(best.hz / shaft.hz, settings) else UNRELATED_LEAD, best)]
        best = shaft
    others += [(best.lead(comb), comb) for comb in combs if related(best.hz, comb.hz)]
    total = 1 + float(np.sum([np.exp(-lead) for lead, _ in others]))
    rivals = sorted(((comb, float(np.exp(-lead) / total)) for lead, comb in others), key=lambda pair: -pair[1])
    return Choice(best, best.evidence(), 1 / total, tuple(rivals))


def is_slower_shaft(comb: Comb, other: Comb, settings: Settings) -> bool:
    """Say whether a comb is slower than another, no simple ratio of it, and there in its own right."""
    if comb.hz > 0.8 * other.hz:
        return False
    if is_race(other.hz / comb.hz, settings):
        return comb.evidence() > RACE
    return comb.evidence() > OWN_RIGHT and not related(comb.hz, other.hz)


def is_race(order: float, settings: Settings) -> bool:
    """Say whether an order, or half of it, is a defect order of one of the bearings, slip allowed."""
    races = [race for bearing in settings.bearings for race in (bearing.outer, bearing.inner, 2 * bearing.ball_spin)]
    return any(abs(order / (multiple * race) - 1) < SLIP for race in races for multiple in (1, 2))


def related(a: float, b: float) -> bool:
    """Say whether two speeds differ and are in the ratio of two whole numbers up to 6."""
    if abs(a / b - 1) < 0.01:
        return False
    return any(abs(a * q / (b * p) - 1) < 0.012 for q in range(1, 7) for p in range(1, 7))


def _best_of_family(best: Comb, combs: list[Comb]) -> Comb:
    for _ in range(8):
        lead, rival = min(((best.lead(c), c) for c in combs if related(best.hz, c.hz)), key=lambda pair: pair[0], default=(0.0, best))
        if lead >= 0:
            break
        best = rival
    return best
