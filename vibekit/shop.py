"""The shop's own archive as a reference: the same motor and propeller, measured in the same way, on other craft."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from vibekit.archive import Archive
from vibekit.change import CHANGES, Change, Pairing, in_db, match_levels, match_lines, pair_up
from vibekit.craft import Craft, Rotor
from vibekit.decibel import NEPER_DB
from vibekit.kept import KeptReading
from vibekit.line_groups import LINES, group
from vibekit.median import MAD_TO_SD, MEDIAN_ERROR
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability, Spread, load_repeatability
from vibekit.settings import Test, feels_propeller

FEWEST = 5  # other craft from which the shop's archive is a reference (common practice, no source)
MOST = 20  # other craft that are looked at, those measured last
BIWEIGHT = 0.7  # degrees of freedom of a biweight variance for each of n - 1 (Kafadar, J. Am. Stat. Assoc. 77 (1982) 416-424)
FOUR = MAD_TO_SD * 1.36  # median deviation of four about their own median to a standard deviation (small-sample factor from memory)
JUDGED_AT = 3.0  # normal deviates at which the spread for a verdict is as wide as Student's t
Array = npt.NDArray[np.float64]
Model = tuple[str | None, ...]


@dataclass(frozen=True, slots=True)
class Shelf:
    """The same model on other craft, for comparison with one motor under one test.

    reading: of that motor, the newest; readings: of each other craft, one a motor; changes: the motor against them
    refusal: why they are no reference, in words, "" when they are
    """

    reading: Reading
    readings: tuple[tuple[Reading, ...], ...] = ()
    changes: tuple[Change, ...] = ()
    refusal: str = ""

    @property
    def references(self) -> tuple[Reading, ...]:
        """All readings of other craft."""
        return tuple(reading for craft in self.readings for reading in craft)


class Shop:
    """All other craft of an archive, seen from one craft, which is left out by name and by serial number."""

    def __init__(self, archive: Archive, craft: Craft) -> None:
        self.archive, self.craft = archive, craft
        self._found: dict[object, tuple[tuple[Reading, ...], ...]] = {}

    def shelf(self, position: str, kept: KeptReading) -> Shelf:
        """Gather readings of the same motor (and propeller, where one is on) under the same test in the same set-up, and compare.

        Of each motor the newest reading of which no fault was claimed counts.
        """
        reading, model = kept.comparable, _model(self.craft.rotor(position), kept.settings.test)
        if None in model:
            return Shelf(reading, refusal=f"the description does not name its {'motor' if model[0] is None else 'propeller'}")
        if not kept.setup:
            return Shelf(reading, refusal="the set-up was not stated, so readings of other craft cannot be matched to it")
        key = model, kept.settings.test, kept.setup, kept.settings.sensor
        if key not in self._found:
            self._found[key] = self._gather(model, kept)
        readings = self._found[key]
        if len(readings) < FEWEST:
            return Shelf(reading, readings, refusal=f"{len(readings)} other craft of this model measured in this way; {FEWEST} are needed")
        changes = against(reading, readings)
        return Shelf(reading, readings, changes, "" if changes else "the other craft of this model ran at another speed")

    def _gather(self, model: Model, kept: KeptReading) -> tuple[tuple[Reading, ...], ...]:
        found: list[tuple[Reading, ...]] = []
        for name in self.archive.measured(kept.settings.test, kept.setup):
            other = self.archive.craft(name)
            if name == self.craft.name or (self.craft.serial and other.serial == self.craft.serial):
                continue
            like = [rotor.position for rotor in other.rotors if _model(rotor, kept.settings.test) == model]
            each = [_newest(self.archive.readings(name, at, kept.settings.test), kept) for at in like]
            if newest := tuple(k.comparable for k in each if k is not None):
                found.append(newest)
            if len(found) == MOST:
                break
        return tuple(found)


def _model(rotor: Rotor, test: Test | None) -> Model:
    """Names of the parts that a test feels, so written that they can be compared."""
    names = [rotor.motor.name, rotor.propeller.name] if feels_propeller(test) else [rotor.motor.name]
    return tuple(" ".join(name.casefold().split()) if name else None for name in names)


def _newest(kept: Sequence[KeptReading], reading: KeptReading) -> KeptReading | None:
    alike = [
        k
        for k in kept
        if k.sound and k.reading.screening.usable and (k.setup, k.settings.sensor) == (reading.setup, reading.settings.sensor)
    ]
    return max(alike, key=lambda k: k.when, default=None)


def against(reading: Reading, craft: Sequence[Sequence[Reading]]) -> tuple[Change, ...]:
    """Compare a reading with those of other craft, quantity by quantity; what fewer than FEWEST of them have is left out.

    The middle is the median over craft of the median over a craft's motors. The spread is that of craft, robust, and of motors of one
    craft, which is never taken below what the table of repeatability says; it counts for as many observations as there are craft.
    """
    table = load_repeatability()
    pairs = [[pair for other in motors for pair in pair_up([reading], [other])] for motors in craft]
    found = []
    for name in CHANGES:
        orders = group(name, reading.settings)
        each = [apart for motors in pairs if (apart := [d for pair in motors if (d := _apart(name, orders, pair)) is not None])]
        if len(each) >= FEWEST:
            found.append(_standing(name, each, table.of(name, reading.settings.test, reading.settings.sensor)))
    return tuple(found)


def _apart(name: str, orders: Sequence[float], pair: Pairing) -> float | None:
    """How far above the other a reading stands, dB."""
    match = match_lines(pair, orders, peers=False) if name in LINES else match_levels(pair, name, peers=False)
    return None if match is None else in_db(name, match.shift)


def _standing(name: str, apart: Sequence[Sequence[float]], prior: Spread) -> Change:
    """apart: dB from each motor of each craft."""
    middles = np.array([np.median(motors) for motors in apart])
    count, delta = len(apart), float(np.median(middles))
    within = np.concatenate([np.abs(np.asarray(motors) - middle) for motors, middle in zip(apart, middles, strict=True) if len(motors) > 2])
    least = (NEPER_DB if name in LINES else 1.0) ** 2 * (prior.spread**2 + prior.deviation**2)
    among = (FOUR * float(np.median(within))) ** 2 if within.size else 0.0
    variance = _biweight(middles) + max(least, among)
    error = float(np.sqrt(variance * (1 + MEDIAN_ERROR**2 / count)))
    degrees = BIWEIGHT * (count - 1)
    score = delta / error
    z = float(-np.sign(score) * ndtri(max(float(stdtr(degrees, -abs(score))), 1e-300)))
    return Change(name, delta, error * float(stdtrit(degrees, 0.975)), z, float(np.sqrt(variance)), 1, count, error)


def _biweight(values: Array) -> float:
    """Biweight midvariance (Mosteller & Tukey, Data Analysis and Regression (1977), 10H)."""
    off = values - np.median(values)
    width = 9 * float(np.median(np.abs(off)))
    near = np.abs(off) < width
    if not near.any():
        return 0.0
    share = 1 - (off[near] / width) ** 2
    return float(values.size * (off[near] ** 2 @ share**4) / (share @ (5 * share - 4)) ** 2)


def spreads_of(shelf: Shelf, table: Repeatability) -> Repeatability:
    """The table of repeatability with the spread between motors that the shelf shows, for a verdict against it."""
    settings = shelf.reading.settings
    rows = dict(table.rows)
    for moved in shelf.changes:
        degrees = BIWEIGHT * (moved.references - 1)
        wider = moved.repeat * float(stdtrit(degrees, ndtr(JUDGED_AT))) / JUDGED_AT
        spread = float(np.expm1(wider / NEPER_DB)) if moved.name in LINES else wider
        key = moved.name, settings.test or "prop", settings.sensor or "microphone"
        rows[key] = replace(table.of(moved.name, settings.test, settings.sensor), spread=spread)
    return Repeatability(rows)
