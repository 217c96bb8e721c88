"""What taking a propeller off and putting it back does by itself, measured before any change is believed."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtri

from vibekit.change import CHANGES, Match, Pairing, match_levels, match_lines, pair_up
from vibekit.decibel import NEPER_DB
from vibekit.kept import KeptReading, PartAction
from vibekit.line_groups import LINES, group
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability, Spread
from vibekit.settings import feels_propeller

Fittings = tuple[tuple[Reading, ...], ...]  # readings for each time the propeller was fitted, or a folding one was started

REFITS = 3  # fittings from which what refitting does is known
RESEATED = "reseated"  # taken off and put back to measure just that, or, folding, stopped and started again
MOVES = (RESEATED, "refitted", "replaced", "swapped")  # of a propeller: it then sits anew
QUANTITIES = tuple(name for name in CHANGES if name != "resonance")


@dataclass(frozen=True, slots=True)
class RefitSpread:
    """What refitting does to one quantity.

    deviation: standard deviation of one recording with the propeller fitted anew, dB; low, high: its 95 % interval (chi-square)
    expected: the same of the craft on the rig, dB
    """

    name: str
    deviation: float
    low: float
    high: float
    expected: float


@dataclass(frozen=True, slots=True)
class RefitStudy:
    """The fittings of one rotor's propeller in one visit, and what they do to each quantity; empty with fewer than two."""

    position: str
    fittings: Fittings
    spreads: tuple[RefitSpread, ...]

    @property
    def done(self) -> bool:
        """Enough fittings to know what refitting does."""
        return len(self.fittings) >= REFITS


def fittings_of(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[tuple[KeptReading, ...], ...]:
    """Part the readings of one rotor that were made with its propeller by its fittings, oldest first.

    A propeller sits anew after an action that says so, and where the rotor was run or spun without it in between.
    """
    moved = [a.done_at for a in actions if a.part == "propeller" and a.did in MOVES]
    found: list[list[KeptReading]] = []
    off = True
    for reading in sorted(kept, key=lambda k: k.when):
        if not feels_propeller(reading.settings.test):
            off = True
            continue
        if off or any(found[-1][-1].when < at <= reading.when for at in moved):
            found.append([])
        found[-1].append(reading)
        off = False
    return tuple(map(tuple, found))


def flat(fittings: Fittings) -> list[Reading]:
    """The readings of all fittings, in order."""
    return [r for fitting in fittings for r in fitting]


def study(position: str, fittings: Fittings, repeatability: Repeatability) -> RefitStudy:
    """What refitting does to each quantity of one rotor."""
    if len(fittings) < 2:
        return RefitStudy(position, fittings, ())
    settings = fittings[0][0].settings
    freedom = len(fittings) - 1
    spreads = []
    for name in QUANTITIES:
        squares = _squares(name, fittings)
        if squares is None:
            continue
        scale = NEPER_DB if name in LINES else 1.0
        deviation = math.sqrt(squares / freedom)
        low, high = (math.sqrt(squares / float(chdtri(freedom, p))) for p in (0.025, 0.975))
        expected = repeatability.of(name, settings.test, settings.sensor).deviation
        spreads.append(RefitSpread(name, scale * deviation, scale * low, scale * high, scale * expected))
    return RefitStudy(position, fittings, tuple(spreads))


def learned(repeatability: Repeatability, studies: Iterable[RefitStudy]) -> Repeatability:
    """The repeatability with the spread that was measured here in place of the rig's.

    Each row's variance is drawn from the rig's to that of the fittings by how much either is worth (moderated variance: Smyth, Stat.
    Appl. Genet. Mol. Biol. 3 (2004) 3, equation 4). Studies must not hold the readings that are compared: those tell their own spread.
    """
    rows = dict(repeatability.rows)
    for done in studies:
        if len(done.fittings) < 2:
            continue
        settings = done.fittings[0][0].settings
        for name in QUANTITIES:
            squares = _squares(name, done.fittings)
            if squares is not None and settings.test and settings.sensor:
                key = (name, settings.test, settings.sensor)
                rows[key] = _moderated(rows.get(key, repeatability.of(*key)), squares, len(done.fittings) - 1)
    return replace(repeatability, rows=rows)


def _moderated(prior: Spread, squares: float, freedom: int) -> Spread:
    worth = prior.worth + freedom
    return replace(prior, deviation=math.sqrt((prior.worth * prior.deviation**2 + squares) / worth), worth=worth)


def _squares(name: str, fittings: Fittings) -> float | None:
    """Squares of one recording a fitting about their mean; None where the fittings cannot be compared.

    Readings of one fitting are averaged, and what averaging took away is put back.
    """
    every = flat(fittings)
    middle, within, freedom, counts = [], 0.0, 0, []
    for fitting in fittings:
        shifts = [match.shift for pair in pair_up(fitting, every) if (match := _match(name, pair)) is not None]
        if shifts:
            middle.append(float(np.mean(shifts)))
            within += float(((np.array(shifts) - middle[-1]) ** 2).sum())
            freedom += len(shifts) - 1
            counts.append(len(shifts))
    if len(middle) < 2 or len(middle) < len(fittings):
        return None
    means = np.array(middle)
    alone = within / freedom * (1 - float(np.mean(1 / np.array(counts)))) if freedom else 0.0
    return float(((means - means.mean()) ** 2).sum()) + alone * (len(means) - 1)


def _match(name: str, pair: Pairing) -> Match | None:
    if name in LINES:
        return match_lines(pair, group(name, pair.reading.settings), peers=False)
    return match_levels(pair, name, peers=False)
