"""The shaft beneath a faster comb: a bearing's pulses that grow and fade once a turn give it away.

Where a bearing is hurt its comb stands above everything, and little of the shaft's own is left. The envelope of the high band then holds
the defect frequency with side lines at plus and minus the shaft's (Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520), and
the shaft's orders. Each place where one belongs is asked as in `vibekit.comb`: how rarely does chance put a line as high there?
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np

from vibekit.choice import SLIP, is_race, simple_ratio
from vibekit.comb import CLUTTER, DIM_DB, PARTS, PEAK, SAME, SLOWEST_HZ, Comb, comb_at, find_combs
from vibekit.frames import frames_of
from vibekit.hum import beside, find_hum, lines_of
from vibekit.lines import NOISE_DB, Lines, find_lines
from vibekit.settings import Settings
from vibekit.transform import LINE, USED, WHITE_HZ, Transform, running_floor

BAND_HZ = 1000.0, 11_000.0
LOW_DOWN_HZ = 300.0  # no casing rings below (common practice, no source): a comb that stands highest there is no bearing's
AS_HIGH_DB = 6.0
RINGING, HUMP, BELOW = 8, 5, 0.93  # lowest order and least number of orders in a hump, and part of a speed up to which a line lies below it
TOP_HZ = 1500.0  # of the envelope
FRAME_S = 8.0
RACES = 1.9, 7.2  # defect orders of 6 to 11 balls with d/D of 0.18 to 0.30 lie inside
CARRIED = 1 + 1 / 0.33, 1 + 1 / 0.15  # spins of balls to a turn of the cage, d/D from 0.33 to 0.15 (common practice, no source)
CAGE = 2.2, 2.9  # a shaft turns so much faster than its bearing's cage, which marks the envelope but makes no lines of its own
SHOWN = 3.0  # evidence by its own lines, or else by side lines, that a shaft must have
WHOLE = 0.006  # a comb this near a whole, half or third multiple of the shaft is the shaft's own
BALLS = range(6, 13)
LOCKED = 5e-4  # a comb this near a ball count over the cage's multiple is the cage's: balls keep their number, whatever they slip
CAGES = np.array(sorted({balls / multiple for balls in BALLS for multiple in range(2, 7)}))
RARE = 0.01  # chance that noise alone reaches a height anywhere in a band
FLOOR = 1e-3  # of the mean, under the logarithm of the envelope: one loud click does not outweigh the rest
MULTIPLE, BESIDE = (grid.reshape(-1, 1) for grid in np.meshgrid((1, 2, 3), (-1, 1)))
CAP = 15.0  # evidence of an envelope at most: lines that two combs make together fit other pairs of combs too
CLEAR = 9.0  # evidence from which a comb is there: chance offers some ten thousand speeds
SLOWER = 0.4  # of the comb taken so far: a comb below it does not stand over a shaft
SLOWER_THAN = 0.8  # of a comb, for a shaft that it turns above
FOREIGN = 6.0  # evidence that a shaft must bring before the comb that stands higher is taken for something else's, of no known bearing


@dataclass(frozen=True, slots=True)
class Beneath:
    """A shaft under a faster comb.

    comb: of the shaft; lines: in which it was found; transforms: of the signals that those are of, the record or its envelope
    lead: log odds that this is the shaft rather than the comb that was taken for it
    sd_hz: standard deviation of the comb's speed, where that is not to be had from its low orders
    over_parts: log odds that it is the shaft rather than its half, its third and so on, from the envelope, by that number
    """

    comb: Comb
    lines: Lines
    transforms: list[Transform]
    lead: float
    sd_hz: float | None = None
    over_parts: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Faster:
    """A comb, and those at a bearing's distance below it, of the record's lines and of its envelope's (pulsing).

    tried: logarithm of how many speeds lie there
    """

    hz: float
    lines: Lines
    pulsing: Lines
    settings: Settings
    own: list[Comb]
    modulating: list[Comb]
    tried: float

    def may_be_cage(self, hz: float) -> bool:
        """Say whether something at a speed may be the cage of an unknown bearing at whose pulses this comb stands."""
        return not is_race(self.hz / hz, self.settings) and CAGE[0] < self.hz / hz < CAGE[1]

    def over(self, hz: float, witness: Callable[[], Lines]) -> float | None:
        """Evidence that a shaft turns at a speed below; None where nothing shows, this comb is its own, or a cage turns there.

        witness: lines of the envelope without what `_evened` does
        """
        ratio, shown = self.hz / hz, _near(self.own, hz)
        known = is_race(ratio, self.settings)
        modulates = _side_lines(self.pulsing, self.hz, hz) > SHOWN and not self.may_be_cage(hz)
        if not (shown > SHOWN or modulates) or _is_own(ratio, max(WHOLE, 0.6 * self.pulsing.width_hz / hz)):
            return None
        if not known and (_is_cage(ratio, self.settings) or _carries_balls(self.lines, self.settings, hz, ratio, shown)):
            return None
        near = _about(witness(), self.settings, hz)
        both = _from_envelope(self.modulating, self.pulsing, self.hz, hz), _from_envelope(near, witness(), self.hz, hz)
        return shown + sum(both) / 2 - self.tried - FOREIGN * (not known)


def shaft_beneath(
    transforms: list[Transform], lines: Lines, settings: Settings, taken_hz: float, low_hz: float, high_hz: float
) -> Beneath | None:
    """The likeliest shaft between two bounds that turns beneath a faster comb, None when nothing there can be one.

    transforms: of the vibration channels; lines: of their spectrum; taken_hz: speed of the comb taken for the shaft so far
    """
    wide = [transform for transform in transforms if USED * transform.rate_hz > 2 * BAND_HZ[0]]
    envelopes = [envelope_of(transform, even=True) for transform in wide]
    pulsing = _lines_of(envelopes) if envelopes else None
    if pulsing is None:
        return None

    @cache
    def witness() -> Lines:
        return _lines_of([envelope_of(transform, even=False) for transform in wide]) or pulsing

    found = []
    raw, modulation = (find_combs(each, settings, RACES[0] * SLOWEST_HZ)[:1] for each in (lines, pulsing))
    low_down = [comb.hz for comb in raw if not rings(comb, LOW_DOWN_HZ, AS_HIGH_DB) and comb.evidence() > CLEAR]
    for fast in {comb.hz for comb in (*raw, *modulation) if comb.evidence() > CLEAR}:
        if not settings.bearings and any(_same(fast, hz) for hz in low_down):
            continue
        low, high = max(low_hz, fast / RACES[1]), min(high_hz, fast / RACES[0])
        if low >= high or fast < SLOWER * taken_hz:
            continue
        own, modulating = find_combs(lines, settings, low, high), find_combs(pulsing, settings, low, high)
        tried = math.log(max((high - low) / pulsing.width_hz, 1.0))
        faster = _Faster(fast, lines, pulsing, settings, own, modulating, tried)
        standing = _standing(lines, pulsing, settings, taken_hz, fast) - tried - FOREIGN
        for each, source, combs in ((lines, transforms, own), (pulsing, envelopes, modulating)):
            for comb in combs:
                total = None if part_of(comb.hz, taken_hz) else faster.over(comb.hz, witness)  # a part was weighed with its multiple
                if total is not None:
                    lead = total if _same(comb.hz, taken_hz) else total - max(standing, 0.0)
                    lead = min(lead, 0.0) if faster.may_be_cage(comb.hz) else lead
                    found.append((Beneath(comb, each, source, lead), fast))
    best, over = max(found, key=lambda each: each[0].lead, default=(None, 0.0))
    if best is None:
        return None
    seen = pulsing, witness()
    for part in (part for part in PARTS if best.comb.hz * part < SLOWER_THAN * over):  # a part has all lines of its multiple
        whole = _at(lines, settings, best.comb.hz * part)
        told = _over_parts(whole.hz, over, seen, settings, (part,)).get(part, 0.0)
        if whole.evidence() > SHOWN and whole.lead(_at(lines, settings, whole.hz / part)) + told > 0:
            best = Beneath(whole, lines, transforms, best.lead)
    same = [best, *(each for each, _ in found if _same(each.comb.hz, best.comb.hz))]
    clearest = max(same, key=lambda each: (each.lines is lines and each.comb.evidence() > SHOWN, each.comb.evidence()))
    return replace(clearest, lead=best.lead, over_parts=_over_parts(clearest.comb.hz, over, seen, settings, PARTS))


def envelope_of(transform: Transform, even: bool) -> Transform:
    """Transform of the logarithm of the squared envelope of the band where casings ring, its lines evened or as they are."""
    band = BAND_HZ[0], min(BAND_HZ[1], USED * transform.rate_hz)
    analytic, rate = (_evened(transform, *band) if even else transform).analytic(*band)
    squared = analytic.real**2 + analytic.imag**2
    return Transform.of(np.log(squared + np.float32(FLOOR) * squared.mean() + np.finfo(np.float32).tiny), rate)


def _evened(transform: Transform, low_hz: float, high_hz: float) -> Transform:
    """A band over its noise, what noise alone may reach held at its mean, and clear lines at the root of their height; else 0.

    A single chance maximum would beat with every line of a strong comb, and so put lines beside all of them at once.
    """
    band = slice(transform.index(low_hz), transform.index(high_hz))
    power = transform.bins[band].real ** 2 + transform.bins[band].imag ** 2
    tiny = np.finfo(power.dtype).tiny
    floor = running_floor(power, max(int(WHITE_HZ / transform.resolution_hz), 16)) / math.log(2)
    over = power / np.maximum(floor, tiny)
    even = np.where(over < LINE, over, np.where(over < math.log(over.size / RARE), 1.0, np.sqrt(over)))
    bins = np.zeros_like(transform.bins)
    bins[band] = transform.bins[band] * np.sqrt(even / np.maximum(power, tiny))
    return replace(transform, bins=bins)


def _lines_of(transforms: list[Transform]) -> Lines | None:
    """Lines of the channels together, without hum; None when they are too few."""
    top = min(TOP_HZ, 0.4 * transforms[0].rate_hz)
    bands = [transform.low_band(top) for transform in transforms]
    frames = frames_of([band for band, _ in bands], bands[0][1], top, FRAME_S)
    return find_lines(frames.without(lines_of(beside(find_hum(transforms), None, 0.0)))) if frames else None


def part_of(hz: float, whole_hz: float) -> int:
    """How many times a speed goes into another, 0 where that is no whole number of times, twice at least."""
    ratio = whole_hz / hz
    return round(ratio) if ratio > 1.5 and _same(ratio, round(ratio)) else 0


def _is_own(ratio: float, near: float) -> bool:
    """Say whether a comb at this multiple of a shaft's speed is its own, or shares every second or third line with it."""
    multiple = ratio * np.array([1.0, 2.0, 3.0])
    return bool(np.abs(multiple / np.round(multiple) - 1).min() < near)


def rings(comb: Comb, above_hz: float = BAND_HZ[0], within_db: float = 0.0) -> bool:
    """Say whether a comb stands highest where casings ring, or nearly, as a bearing's does; a shaft's own lines are highest low down."""
    high = np.flatnonzero(comb.height_db >= comb.height_db.max() - within_db)
    return comb.hz * (int(high[-1]) + 1) > above_hz


def may_be_race(comb: Comb, lines: Lines) -> bool:
    """Say whether a comb may be a bearing's whose shaft does not show: pulses ring a casing, and something turns slower.

    Many of its higher orders stand as high as the highest, where a shaft's lines are its first, blade pass and those of its poles; and a
    clear line lies below it.
    """
    order = np.arange(1, comb.chance.size + 1)
    ringing = (order >= RINGING) & (order * comb.hz > BAND_HZ[0]) & (comb.chance < 0.1)
    struck = np.count_nonzero(comb.height_db[ringing] > comb.height_db.max() - AS_HIGH_DB) >= HUMP
    return bool(struck and clear_below(comb, lines))


def clear_below(comb: Comb, lines: Lines) -> bool:
    """Say whether a clear line lies below a comb, as of something that turns slower; what rumbles below all shafts does not count."""
    below = (lines.frequency > SLOWEST_HZ) & (lines.frequency < BELOW * comb.hz)
    return bool(lines.height_db[below].max(initial=-np.inf) > lines.visible_db + NOISE_DB)


def _is_cage(ratio: float, settings: Settings) -> bool:
    """Say whether a comb at this part of a faster one belongs to the cage that carries the balls round."""
    parts = ((1.0, each.outer, each.inner, each.ball_spin, 2 * each.ball_spin, each.cage) for each in settings.bearings)
    known = any(abs(ratio * cage / (multiple * race) - 1) < SLIP for *races, cage in parts for race in races for multiple in (1, 2))
    return known or bool(np.abs(ratio / CAGES - 1).min() < LOCKED)


def _carries_balls(lines: Lines, settings: Settings, hz: float, ratio: float, shown: float) -> bool:
    """Say whether a comb is rather a cage whose balls spin at the faster one: its shaft, whose speed follows, shows more lines of its own.

    The pitch is then ratio - 1 balls wide, and the shaft turns 2 (ratio - 1) / (ratio - 2) times as fast as the cage (from the orders in
    `vibekit.bearing`).
    """
    if not CARRIED[0] < ratio < CARRIED[1]:
        return False
    shaft_hz = hz * 2 * (ratio - 1) / (ratio - 2)
    near = _about(lines, settings, shaft_hz, SLIP)
    tried = math.log(max(2 * SLIP * shaft_hz / lines.width_hz, 1.0))
    return max((comb.evidence() for comb in near), default=0.0) - tried > max(shown, SHOWN)


def _standing(lines: Lines, pulsing: Lines, settings: Settings, taken_hz: float, fast_hz: float) -> float:
    """Evidence for the comb taken so far, where that leaves the faster one unexplained too, being no multiple or part of it; else 0."""
    simple = simple_ratio(fast_hz / taken_hz)
    if simple and _same(fast_hz, simple * taken_hz):
        return 0.0
    own, modulating = (_about(each, settings, taken_hz) for each in (lines, pulsing))
    return _near(own, taken_hz) + _from_envelope(modulating, pulsing, fast_hz, taken_hz)


def _over_parts(hz: float, fast_hz: float, envelopes: tuple[Lines, ...], settings: Settings, parts: tuple[int, ...]) -> dict[int, float]:
    """Log odds of a shaft against its half, third ..., from its orders and those beside the faster comb in envelopes, which are one.

    None of a part whose order the faster comb would be: that was its evidence, and is explained. Lines beside it a part away speak for the
    part alone; those a shaft's speed away are either's.
    """
    whole = [_at(lines, settings, hz) for lines in envelopes]

    def over(part: int) -> float:
        each = [
            comb.lead(_at(lines, settings, hz / part)) - _side_lines(lines, fast_hz, hz / part)
            for comb, lines in zip(whole, envelopes, strict=True)
        ]
        return min(max(sum(each) / len(each), -CAP), CAP)

    return {part: over(part) for part in parts if not _is_own(part * fast_hz / hz, WHOLE)}


def _from_envelope(modulating: list[Comb], pulsing: Lines, fast_hz: float, hz: float) -> float:
    """Evidence of the envelope's lines at the orders of a shaft and beside the faster comb."""
    return min(max(_near(modulating, hz), 0.0) + _side_lines(pulsing, fast_hz, hz), CAP)


def _same(a: float, b: float) -> bool:
    return abs(a / b - 1) < SAME


def _about(lines: Lines, settings: Settings, hz: float, reach: float = SAME) -> list[Comb]:
    """Combs of speeds within a relative reach of one."""
    return find_combs(lines, settings, hz * (1 - reach), hz * (1 + reach))


def _at(lines: Lines, settings: Settings, hz: float) -> Comb:
    """The best comb at a speed."""
    near = [comb for comb in _about(lines, settings, hz) if _same(comb.hz, hz)]
    return max(near, key=lambda comb: comb.evidence()) if near else comb_at(lines, settings, hz)


def _near(combs: list[Comb], hz: float) -> float:
    """Evidence of the best comb at a speed, 0 when there is none."""
    return max((comb.evidence() for comb in combs if _same(comb.hz, hz)), default=0.0)


def _side_lines(lines: Lines, fast_hz: float, hz: float) -> float:
    """Evidence of the lines beside the first multiples of a comb a speed away."""
    place = np.abs(MULTIPLE * fast_hz + BESIDE * hz)
    reach = 0.6 * lines.width_hz + 2e-4 * place
    found = lines.best_near(place, reach)
    chance = np.maximum(lines.chance(found, reach), 1e-12)
    there = (found >= 0) & (lines.height_db[found] > lines.visible_db - DIM_DB)
    return float(np.where(there, np.log1p(PEAK / chance**CLUTTER), 0.0).sum())
