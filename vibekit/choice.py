"""Which of several combs is the shaft, and how surely."""

import math
from bisect import bisect
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from vibekit.comb import HIGHEST_ORDER, Comb
from vibekit.settings import Settings, feels_propeller

OWN_RIGHT = 8.0  # evidence from which a comb is there whatever else is
RACE = 3.0  # the same, where a faster comb lies at an order that the bearing gives it
SLIP = 0.015
UNRELATED_LEAD = 1.0  # log odds of the slower of two unrelated combs: lines of bearings and other shafts lie above the shaft more often
RACE_LEAD = 4.0
RATIOS = sorted({p / q for p in range(1, 7) for q in range(1, 7)})
NEAR = 0.012
FURTHEST = -30.0  # a lead behind this is as good as lost
# power of the ratio of two speeds by which the slower is likelier than their lines say, of one motor that may turn blades: what hides its
# orders hides them together, and lines between those of its multiple are seldom chance (fitted to the rivals' probabilities of 4 685 motors
# of `tests/shaft_sounds.py`: 0.86 nothing known, 0.80 blades known). It tells how sure the likeliest is, not which that is
SLOWER = 0.8
SHOWS = 0.1  # chance of a line as high, below which an order shows
HALVES_DB = 10.0  # even orders of a comb over its odd ones, from which these may be half orders of a shaft twice as fast
BLADED_HALVES = 0.6  # chance of that with a propeller, whose even orders may stand so high by themselves: both are returned
LOOSE = 0.045  # share of motors that are loose, and of propellers (the priors of `reference_spectra/loose-mount.toml`, `loose-propeller`)
SHOW = 0.45, 0.02  # of loose and of other bare motors, so many have such a 2x (10 of 22 loose ones of the rig; `tests/shaft_sounds.py`)
# chance that a further even order that shows stands over the odd ones on both its sides, of a loose motor, whose blows feed all its
# multiples (220 of 282 orders of the rig's, 69 of 86 before), and of another: 0.38 where nothing favours them (74 of 194 of the rig's, 34
# of 89 drawn), more as real motors pull twice a turn
FEEDS_ALL = 0.8, 0.5
# odds of a loose motor where an odd multiple of the blades stands lower than the orders beside it and than the even multiples next to it,
# and of another where it stands higher: chances 0.54 and 0.07, 0.06 and 0.52 (193 orders of loose motors of the rig, 388 of others and
# of drawn ones); less than these say, as one resonance lifts or sinks several
BLADE_ODDS = 5.0


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
        shaft = _best_of_family(slower, [comb for comb in combs if is_slower_shaft(comb, best, settings)])
        others = [(RACE_LEAD if is_race(best.hz / shaft.hz, settings) else UNRELATED_LEAD, best)]
        best = shaft
    twice = next((comb for comb in combs if abs(comb.hz / best.hz / 2 - 1) < NEAR), None)
    halves = half_orders(best, settings) if twice else -math.inf
    if twice and halves > 0:
        chance = 1 / (1 + math.exp(-halves))
        return Choice(twice, best.evidence(), chance, ((best, 1 - chance),))
    slower_by = SLOWER if settings.test in (None, "prop", "run-up") else 0.0
    for comb in combs:
        if related(best.hz, comb.hz):
            lead = best.lead(comb) - slower_by * math.log(best.hz / comb.hz)
            others.append((min(lead, -halves) if comb is twice else lead, comb))
    odds = [(math.exp(-max(lead, FURTHEST)), comb) for lead, comb in others]
    total = 1 + sum(chance for chance, _ in odds)
    rivals = sorted(((comb, chance / total) for chance, comb in odds), key=lambda pair: -pair[1])
    return Choice(best, best.evidence(), 1 / total, tuple(rivals))


def averaged(chosen: Choice, looks: Sequence[Choice]) -> Choice:
    """A choice with its confidence and rivals averaged over looks at one record at several resolutions, each by its evidence.

    looks: among them the chosen one, or another at its speed; those at unrelated speeds are left out (Bayesian model averaging: Hoeting et
    al., Statist. Sci. 14 (1999) 382-417)
    """
    looks = [look for look in looks if simple_ratio(look.comb.hz / chosen.comb.hz)]
    total = np.array([look.evidence - math.log(look.confidence) for look in looks])
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    chance: list[tuple[Comb, float]] = [(chosen.comb, 0.0)]
    for look, share in zip(looks, weight.tolist(), strict=True):
        for comb, part in ((look.comb, look.confidence), *look.rivals):
            at = next((i for i, (other, _) in enumerate(chance) if abs(comb.hz / other.hz - 1) < NEAR), len(chance))
            known, before = chance[at] if at < len(chance) else (comb, 0.0)
            chance[at : at + 1] = [(known, before + share * part)]
    return replace(chosen, confidence=chance[0][1], rivals=tuple(sorted(chance[1:], key=lambda pair: -pair[1])))


def half_orders(comb: Comb, settings: Settings) -> float:
    """Log odds that a comb is that of a loose shaft twice as fast, whose half orders are its odd ones (Randall 2011, from memory).

    Its 1x, or the blade pass of a propeller of known blades, then stands high over all that only a shaft at the half speed would make; as
    blows feed every multiple, what shows of a bare one's even orders stands over the odd ones beside it; and odd multiples of the blades,
    which are the half speed's blade pass, stand out no more than their neighbours. -inf where nothing of the kind is known.
    """
    bare, blades = not feels_propeller(settings.test), settings.blades or 0
    if not (bare or blades):
        return -math.inf
    height = comb.height_db
    high = 2 if bare else 2 * blades
    low = (1, 3, 5, 7, 9) if bare else (1, 3, 5, 7, 9, 3 * blades, 5 * blades)
    stands = bool(height[high - 1] > height[[order - 1 for order in low if order <= HIGHEST_ORDER]].max() + HALVES_DB)
    if not bare:
        told = math.log(BLADE_ODDS) * _blades_missing(comb, blades)
        loose, high_ones = (math.log(share / (1 - share)) for share in (2 * LOOSE, BLADED_HALVES))
        return max(loose + told, high_ones + min(told, 0.0)) if stands else loose + told  # what stands high leaves the odd ones low
    odds = math.log(LOOSE / (1 - LOOSE)) + _told(SHOW, stands)
    for order in (4, 6, 8, 10) if stands else (2, 4, 6, 8, 10):
        if comb.chance[order - 1] < SHOWS:
            odds += _told(FEEDS_ALL, height[order - 1] > max(height[order - 2], height[order]))
    return odds


def _blades_missing(comb: Comb, blades: int) -> int:
    """How many odd multiples of the blades stand low, less those that stand high: over both orders beside them and the even multiples.

    The first counts where the blades are odd; else it is a whole order of the faster shaft, such as the 1x of its unbalance.
    """
    missing = 0
    for multiple in range(1 if blades % 2 else 3, HIGHEST_ORDER // blades + 1, 2):
        order, height = blades * multiple, comb.height_db
        beside = [at for at in (order - 1, order + 1) if 0 < at <= HIGHEST_ORDER]
        even = [at for at in (order - blades, order + blades) if at not in (0, *beside) and 0 < at <= HIGHEST_ORDER]
        if min(comb.chance[at - 1] for at in (order, *beside, *even)) > SHOWS:
            continue
        over = height[order - 1] > max(height[at - 1] for at in beside)
        under = height[order - 1] < min((height[at - 1] for at in even), default=-math.inf)
        missing += int(under and not over) - int(over and not under)
    return missing


def _told(chances: tuple[float, float], seen: bool | np.bool) -> float:
    """Log of the likelihood ratio of what is seen, or not, with one chance or another."""
    one, other = chances
    return math.log(one / other if seen else (1 - one) / (1 - other))


def is_slower_shaft(comb: Comb, other: Comb, settings: Settings) -> bool:
    """Say whether a comb is slower than another, not its half or third or a multiple of these, and there in its own right."""
    if comb.hz > 0.8 * other.hz:
        return False
    if is_race(other.hz / comb.hz, settings):
        return comb.evidence() > RACE
    if settings.test == "flight" or related(comb.hz, other.hz):  # in flight the other rotors are near, and their halves
        return False
    thirds = other.hz / comb.hz * np.array([1, 2, 3])
    return comb.evidence() > OWN_RIGHT and bool(np.abs(thirds / np.round(thirds) - 1).min() > 0.006)


def is_race(order: float, settings: Settings) -> bool:
    """Say whether an order, or half of it, is a defect order of one of the bearings, slip allowed."""
    races = [race for bearing in settings.bearings for race in (bearing.outer, bearing.inner, 2 * bearing.ball_spin)]
    return any(abs(order / (multiple * race) - 1) < SLIP for race in races for multiple in (1, 2))


def simple_ratio(ratio: float) -> float | None:
    """Ratio of two whole numbers up to 6 that this is within 1.2 %, None when there is none."""
    above = min(max(bisect(RATIOS, ratio), 1), len(RATIOS) - 1)
    low, high = RATIOS[above - 1], RATIOS[above]
    simple = low if ratio / low - 1 < 1 - ratio / high else high
    return simple if abs(ratio / simple - 1) < NEAR else None


def related(a: float, b: float) -> bool:
    """Say whether two speeds differ and are in a simple ratio."""
    return simple_ratio(a / b) not in (None, 1.0)


def _best_of_family(first: Comb, combs: list[Comb]) -> Comb:
    """Of a comb and those that are simple ratios of it, the one whose strongest rival among them is furthest behind."""
    family = [first, *(comb for comb in combs if related(first.hz, comb.hz))]
    margin = [math.inf] * len(family)
    for i, j in combinations(range(len(family)), 2):
        if related(family[i].hz, family[j].hz):
            lead = family[i].lead(family[j])
            margin[i], margin[j] = min(margin[i], lead), min(margin[j], -lead)
    return family[max(range(len(family)), key=lambda i: margin[i] if margin[i] < math.inf else 0.0)]
