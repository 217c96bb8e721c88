"""Shaft speeds that explain the lines of a spectrum, each with the likelihood of all its orders.

Each candidate is asked the same question about the same spectrum: how likely is what stands where its orders lie, lines or no lines? A line
speaks for the candidate by how rarely chance puts one as high there, and as far as its level suits its order. No line speaks against it
as surely as that order was expected above the floor. Half the true speed explains all lines and misses every second order; twice the
true speed misses none and leaves the odd orders to chance.
"""

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise, product

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from vibekit.lines import Index, Lines
from vibekit.settings import Settings, feels_propeller

Array = npt.NDArray[np.float64]
Grey = npt.NDArray[np.float32]
SLOWEST_HZ, FASTEST_HZ = 5.0, 1000.0
HIGHEST_ORDER = 32
ORDER = np.arange(1, HIGHEST_ORDER + 1)[:, None]
WANDER = 3e-4  # relative scatter of an order's line beside the spectrum's own width
SPREAD_DB = 12.0  # of an order's level about what is typical: resonances, directions, severities
# level in dB of order 1, and of others that are no multiple of the blades, before they fall: from blades unlike to nearly alike
BLADED = (-6.0, -8.0), (-12.0, -16.0), (-18.0, -24.0), (-26.0, -34.0)
STATED = 0.57, 0.28, 0.1, 0.05  # their shares
UNSTATED = 0.4, 0.33, 0.22, 0.03  # where nobody stated the blades: few all alike, else a bare motor's 1x passes for that of many
BLADELESS = ((-3.0, -6.0),)
# of the levels from order to order, dB, and how far, with their prior: some resonance may lift far ones
FALLS = (2.0, -40.0, 0.5), (6.0, -120.0, 0.15), (6.0, -50.0, 0.15), (15.0, -300.0, 0.2)
LAST, FEW = (2, 3, 4), 0.05  # multiple of the blades, or order, after which nothing comes however little noise there is; prior of each
DIM_DB = 6.0  # below what is visible, from which a local maximum is no line however rare
PAIRS = np.arange(6, 15)  # of poles, where they are not known
ELECTRICAL_AT = np.concatenate((PAIRS, 2 * PAIRS)) - 1
ELECTRICAL_DB, ELECTRICAL = -12.0, 0.25  # level of their orders, and chance that they show
CLUTTER = 0.9  # power of chance: lines that belong to nothing are commoner than their sample says
LEAST = 0.02  # chance that an order is missing whatever was expected
UNSEEN = 0.35  # chance that the number of blades does not show
PEAK = 0.375 / SPREAD_DB  # of Student's t with four degrees of freedom, a decibel
SAME = 0.005  # speeds closer than this are one
KEPT = 48
HIGHER, FURTHEST = 100, 2 * HIGHEST_ORDER  # lines looked at beyond the highest order, and the order up to which they are a shaft's
WIDE = 0.5  # part of all frequencies that lies near a speed's multiples, from which lines there tell nothing
FAMILIES, PARTS = 3, (2, 3, 4, 5)  # best combs, and how many times a slower shaft they may be


@dataclass(frozen=True, slots=True)
class Comb:
    """One shaft speed with what speaks for it.

    hz: turns a second; found: (orders,) index of the line at each order, -1 for none
    chance: (orders,) of a line as high there; height_db: (orders,) of the line over the noise, no higher than noise where chance does it
    total: (orders,) log of the likelihood ratio against "no shaft" of all orders up to each
    """

    hz: float
    found: Index
    chance: Array
    height_db: Array
    total: Array

    def evidence(self, below_hz: float = math.inf) -> float:
        """Log of the likelihood ratio against "no shaft", from the orders below a frequency."""
        count = int(min(below_hz / self.hz * (1 + 1e-6), HIGHEST_ORDER))
        return float(self.total[count - 1]) if count else 0.0

    def lead(self, rival: "Comb") -> float:
        """Log of the likelihood ratio against a rival, both judged over the same band."""
        band = HIGHEST_ORDER * min(self.hz, rival.hz)
        return self.evidence(band) - rival.evidence(band)


def find_combs(lines: Lines, settings: Settings, low_hz: float = SLOWEST_HZ, high_hz: float = FASTEST_HZ) -> list[Comb]:
    """Shaft speeds between two bounds that may explain the lines, best first."""
    start, trust = _first_guesses(lines, settings, low_hz, high_hz)
    speed, found = _climb(lines, start, trust)
    inside = (speed >= low_hz) & (speed <= high_hz)
    speed, found = speed[inside], found[:, inside]
    chance = np.maximum(lines.chance(found, _reach(lines, ORDER * speed)), 1e-12)
    plain = np.where(lines.is_blank(ORDER * speed), 0.0, np.log1p(PEAK / chance**CLUTTER)).sum(axis=0)
    chosen: list[int] = []
    left = np.argsort(-plain)
    while left.size and len(chosen) < KEPT:
        chosen.append(int(left[0]))
        left = left[np.abs(speed[left] / speed[left[0]] - 1) > SAME]
    combs = _weighed(lines, settings, speed[chosen], found[:, chosen])
    slower, shared = _parts(lines, combs[:FAMILIES], low_hz, high_hz)
    if not slower.size:
        return combs
    kept: list[Comb] = []
    for comb in sorted(combs + _weighed(lines, settings, slower, shared), key=lambda comb: -comb.total[-1]):
        if all(abs(comb.hz / other.hz - 1) > SAME for other in kept):
            kept.append(comb)
    return kept


def _weighed(lines: Lines, settings: Settings, speed: Array, found: Index) -> list[Comb]:
    """Combs of speeds (m,) with their lines (orders, m), best first."""
    chance = _chance(lines, speed, found)
    total = _evidence(lines, speed, found, chance, settings) + _log_prior(speed, settings)
    clear = _clear(lines, speed, found, chance)
    return [Comb(float(speed[i]), found[:, i], chance[:, i], clear[:, i], total[:, i]) for i in np.argsort(-total[-1])]


def _chance(lines: Lines, speed: Array, found: Index) -> Array:
    """Chance of lines as high, (orders, m), where other lines at multiples of a speed (m,) are no chance lines: they are its own.

    Of them, higher orders and what stands close beside the line found, as many as lie there beyond what any places as wide would hold.
    """
    line = lines.highest(HIGHER)[:, None]
    high = lines.frequency[line]
    multiple, wide = np.rint(high / speed).astype(np.intp), np.minimum(2 * _reach(lines, high) / speed, WIDE)
    taken = np.take_along_axis(found, np.clip(multiple, 1, HIGHEST_ORDER) - 1, axis=0) == line
    near = np.abs(high - multiple * speed) < _reach(lines, high)
    explained = np.where(~taken & (multiple > 0) & (multiple <= FURTHEST) & (wide < WIDE), (near - wide) / (1 - wide), 0.0)
    return np.maximum(lines.chance(found, _reach(lines, ORDER * speed), explained), 1e-12)


def _parts(lines: Lines, combs: list[Comb], low_hz: float, high_hz: float) -> tuple[Array, Index]:
    """Speeds (m,) whose multiples some combs are, with lines (orders, m): those of the comb, and those between them where they lead.

    Where the shaft wanders, a line's highest place is not that of the next. Climbed each by itself, a shaft and its multiple end on other
    lines, and what tells them apart drowns in that.
    """
    speeds, columns = [], []
    for comb, part in product(combs, PARTS):
        if not low_hz <= comb.hz / part <= high_hz:
            continue
        order = np.flatnonzero(comb.chance < 0.1) + 1
        if not order.size:
            continue
        local = lines.frequency[comb.found[order - 1]] / order / part
        target = ORDER[:, 0] * np.interp(ORDER[:, 0], part * order, local)
        column = np.where(lines.is_blank(target), -1, lines.best_near(target, _reach(lines, target)))
        column[part - 1 :: part] = comb.found[: HIGHEST_ORDER // part]
        speeds.append(comb.hz / part)
        columns.append(column)
    return np.array(speeds), np.array(columns, dtype=np.intp).reshape(len(speeds), HIGHEST_ORDER).T


def comb_at(lines: Lines, settings: Settings, hz: float) -> Comb:
    """The comb of one speed that is known otherwise."""
    speed = np.array([hz])
    place = ORDER * speed
    found = np.where(lines.is_blank(place), -1, lines.best_near(place, _reach(lines, place)))
    return _weighed(lines, settings, speed, found)[0]


@lru_cache(maxsize=64)
def level_patterns(settings: Settings) -> tuple[tuple[Array, float], ...]:
    """Typical levels of the orders against the comb's strongest lines, dB, (HIGHEST_ORDER, 1), each with the log of its prior.

    Blade pass stands out where there are blades, the more the more alike they are; a machine has many harmonics or few.
    Common practice, no source.
    """
    patterns = []
    for (blades, prior), (fall, least, share) in product(blade_counts(settings).items(), FALLS):
        shares = (STATED if settings.blades else UNSTATED) if blades else (1.0,)
        for (first, others), part in zip(BLADED if blades else BLADELESS, shares, strict=True):
            level = np.where(ORDER == 1, first, np.maximum(others - fall * ORDER, least))
            if blades:
                level = np.where(ORDER % blades == 0, np.maximum(-(4 + fall / 2) * (ORDER / blades - 1), level), level)
            for multiple in (1, 2, 6):
                order = multiple * (settings.poles or 0) // 2
                if 0 < order <= HIGHEST_ORDER:
                    level[order - 1] = max(level[order - 1, 0], -12.0)
            patterns.append((level, math.log(prior * share * part)))
    if settings.speed_rpm is None:  # a typed one narrows the search so far that a few lines are enough as it is
        for blades, prior in blade_counts(settings).items():
            each = blades or 1
            for last in LAST if blades or not settings.blades else ():  # of blades that are known their pass is left, at least
                level = np.where((ORDER % each == 0) & (each * last >= ORDER), -5.0 * (ORDER / each - 1), -300.0)
                level[0] = 0.0 if each == 1 else -6.0
                patterns.append((level, math.log(prior * FEW)))
    return tuple(patterns)


@dataclass(frozen=True, slots=True)
class _LevelTable:
    """Patterns of levels, what they share at an order written once.

    order, level_db: (k,) index and (k, 1) level; row: (orders, patterns) which of them each has; log_prior: (patterns, 1)
    """

    order: Index
    level_db: Array
    row: Index
    log_prior: Grey


@lru_cache(maxsize=64)
def _level_table(settings: Settings) -> _LevelTable:
    levels, log_prior = zip(*level_patterns(settings), strict=True)
    order = np.broadcast_to(ORDER - 1, (HIGHEST_ORDER, len(levels)))
    pairs, row = np.unique(np.stack([order.ravel(), np.hstack(levels).ravel()]), axis=1, return_inverse=True)
    return _LevelTable(pairs[0].astype(np.intp), pairs[1][:, None], row.reshape(order.shape), np.array(log_prior, np.float32)[:, None])


def blade_counts(settings: Settings) -> dict[int | None, float]:
    """Blade counts that come into question with their prior; None: no blades, or blades that do not show."""
    if not feels_propeller(settings.test) or settings.blades == 1:
        return {None: 1.0}
    if settings.blades:
        return {settings.blades: 1 - UNSEEN, None: UNSEEN}
    return {None: UNSEEN, 2: 0.28, 3: 0.19, 4: 0.09, 5: 0.09}


def _first_guesses(lines: Lines, settings: Settings, low_hz: float, high_hz: float) -> tuple[Array, Array]:
    """Speeds (m,), the highest lines of each octave taken as order 1, 2, 3 ..., and how well each is known (1 / variance)."""
    usable = np.flatnonzero(lines.height_db > lines.visible_db)
    octave = np.floor(np.log2(lines.frequency[usable] / SLOWEST_HZ))
    high: list[int] = []
    for band in np.unique(octave):
        inside = usable[octave == band]
        high += inside[np.argsort(lines.rank[inside])][:6].tolist()
    order = np.array(sorted({1, 2, 3, 4, 5, 6, settings.blades or 1, (settings.poles or 2) // 2}))
    guess = lines.frequency[high][:, None] / order
    trust = _precision(lines.height_db[high])[:, None] * order**2
    inside = (guess >= low_hz * (1 - SAME)) & (guess <= high_hz * (1 + SAME))
    return guess[inside], trust[inside]


def _climb(lines: Lines, speed: Array, trust: Array) -> tuple[Array, Index]:
    """Find the orders one by one, each line sharpening the speed: speeds (m,) and lines (orders, m), -1 for none."""
    total = trust * speed
    found = np.full((HIGHEST_ORDER, speed.size), -1, dtype=np.intp)
    for order in range(1, HIGHEST_ORDER + 1):
        target = order * speed
        if not np.any(target < lines.top_hz):
            break
        best = np.where(lines.is_blank(target), -1, lines.best_near(target, _reach(lines, target)))
        found[order - 1] = best
        sure = (best >= 0) & (lines.height_db[best] > lines.visible_db)
        gain = np.where(sure, order**2 * _precision(lines.height_db[best]), 0.0)
        trust = trust + gain
        total = total + gain * lines.frequency[best] / order
        speed = total / trust
    return speed, found


def _precision(height_db: Array) -> Array:
    return np.asarray(10 ** (np.minimum(height_db, 30.0) / 10))


def _reach(lines: Lines, target: Array) -> Array:
    return 0.6 * lines.width_hz + WANDER * target


def _evidence(lines: Lines, speed: Array, found: Index, chance: Array, settings: Settings) -> Array:
    """Log likelihood ratios against "no shaft" of all orders up to each, (orders, m), over all patterns of levels and counts of poles.

    Under a comb the order's line is either hidden below what stands there, or it is what stands there, its level scattered about the
    typical one (Student's t, four degrees of freedom). Chance lines fall off by one neper a decibel.
    """
    blank = lines.is_blank(ORDER * speed)
    height = np.where(found < 0, -20.0, lines.height_db[found])
    strongest = _clear(lines, speed, found, chance).max(axis=0)
    rare = np.where(height > lines.visible_db - DIM_DB, PEAK / chance**CLUTTER, 0.0)
    stands, seen = (height - strongest) / SPREAD_DB, (np.maximum(height, lines.visible_db) - strongest) / SPREAD_DB
    stands, seen, rare = stands.astype(np.float32), seen.astype(np.float32), rare.astype(np.float32)

    def likelihood(at: Index, level_db: float | Array) -> Grey:
        """Of levels (k, 1) at orders of these indices (k,): (k, m), 1 where nothing can be seen."""
        level = np.asarray(level_db, np.float32) / np.float32(SPREAD_DB)
        off = 1 + (stands[at] - level) ** 2 / 4
        hidden = np.maximum(ndtr(seen[at] - level), np.float32(LEAST))
        return np.where(blank[at], np.float32(1), hidden + rare[at] / (off**2 * np.sqrt(off)))

    table = _level_table(settings)
    usual = likelihood(table.order, table.level_db)
    each = _summed_up(np.log(usual)[table.row]) + table.log_prior  # (orders, patterns, m)
    if not settings.poles:
        each += _with_poles(likelihood(ELECTRICAL_AT, ELECTRICAL_DB)[:, None] / usual[table.row[ELECTRICAL_AT]])
    most = each.max(axis=1)
    return np.asarray(most + np.log(np.exp(each - most[:, None]).sum(axis=1)), dtype=np.float64)


def _summed_up(rows: Grey) -> Grey:
    """As numpy.cumsum along the first axis, in place and in a tenth of its time."""
    for before, row in pairwise(rows):
        row += before
    return rows


def _with_poles(ratio: Grey) -> Grey:
    """Log of what electrical orders of an unknown count of poles add to likelihoods, up to each order, (orders, patterns, m).

    ratio: (ELECTRICAL_AT, patterns, m) likelihood of each as an electrical order over that as any other. Motors of multirotors have 12 to
    28 poles (common practice, no source); the order of their pairs shows, and its double.
    """
    once, twice = ratio[: PAIRS.size], ratio[PAIRS.size :]
    step = np.zeros((HIGHEST_ORDER, *ratio.shape[1:]), np.float32)
    step[PAIRS - 1] = once - 1
    step[2 * PAIRS - 1] += once * (twice - 1)
    _summed_up(step)
    step *= ELECTRICAL / PAIRS.size
    return np.log1p(step, out=step)


def _clear(lines: Lines, speed: Array, found: Index, chance: Array) -> Array:
    """Height of each line, (orders, m), dB; what noise reaches where there is none, or where chance may have put it."""
    nothing = lines.is_blank(ORDER * speed) | (found < 0) | (chance > 0.1)
    return np.where(nothing, lines.visible_db, lines.height_db[found])


def _log_prior(speed: Array, settings: Settings) -> Array:
    """Motors run between 15 and 700 turns a second; each octave outside is rarer (common practice, no source). By hand all are slow."""
    low = 0.0 if settings.test == "hand-spin" else np.maximum(np.log2(15 / speed), 0)
    return np.asarray(-1.5 * (low + np.maximum(np.log2(speed / 700), 0)))
