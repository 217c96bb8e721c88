"""What changed at a swap of two propellers, and how likely that is wherever the fault may be."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from vibekit.bare_and_propeller import Place
from vibekit.change import DB, LEAST_RATIO, SITTING_DB, Pairing, match_levels, match_lines, pair_up
from vibekit.line_groups import LINES, group
from vibekit.observation import WORDS
from vibekit.reading import Reading
from vibekit.refit import Fittings
from vibekit.repeatability import Repeatability, Spread
from vibekit.settings import Settings

Array = npt.NDArray[np.float64]

QUANTITIES = ("1x", "other orders", "electrical lines", "comb", "roughness")  # good propellers differ in 2x, blade from blade
REFIT_MOVES = ("1x",)  # readings of one fitting count as one: they share how the propeller sits
EACH = ("other orders", "electrical lines")  # any one line of these may show the fault
FAULT = 1.5  # standard deviation of what a fault does to a line, see `_even` (wide: none to twenty times)
FAULT_DB = 10.0  # the same of a level
# standard deviation by which good propellers differ on one arm, beyond what refitting does (from a few sound swaps on the rig)
DIFFER = {"1x": 0.5, "other orders": 0.15, "electrical lines": 0.05, "comb": 0.05, "roughness": 0.5}
SHOWN = 0.3  # share of quantities that show a fault (common practice, no source)
SAME_ARM = 0.98  # correlation of a motor's fault under either propeller: one arm and one sensor, another vector to add to
OTHER_ARM = 0.85  # the same of a propeller's fault on either rotor: other arms, other vectors to add to (common practice, no source)
STANDS_OUT = 1.5  # deviates by which a quantity of the first rotor stands out before the swap; one that does not cannot show the fault
HIDDEN = 0.3  # chance that a fault that showed before does not where it is after (common practice, no source)
LEAST = 0.05  # that a quantity does what no model foresees
FAULTY: tuple[Place, ...] = ("seat", "propeller", "motor", "both")


@dataclass(frozen=True, slots=True)
class Moved:
    """What one quantity did at the swap on either rotor, dB with the half width of the 95 % interval.

    excess: of the first rotor before the swap, against its past or, without one, against the second
    first, second: change at the swap; weight: log10 of how much likelier what it did is under the answer given than with no fault
    """

    name: str
    excess: tuple[float, float]
    first: tuple[float, float]
    second: tuple[float, float]
    weight: float


@dataclass(frozen=True, slots=True)
class Weighed:
    """One quantity, or each line of it.

    after: log of how likely its change at the swap is under each place against none, given what it was before
    """

    after: Mapping[Place, float]
    moved: tuple[tuple[Moved, Mapping[Place, float]], ...]


@dataclass(frozen=True, slots=True)
class _Cell:
    """One side against its references. squares, freedom: scatter of the readings about their mean."""

    shift: float
    noise: float
    squares: float
    freedom: int
    count: int
    references: int


def weigh(
    name: str, before: Fittings, after: Fittings, second_before: Fittings, second_after: Fittings, past: Fittings, repeats: Repeatability
) -> Weighed | None:
    """Weigh a quantity on both sides of a swap; None where it cannot be compared on each. past: of the first rotor, when it was sound.

    Three shifts are told: of the first rotor before and after the swap from its sound past (without one: from the second rotor's
    before), and of the second's after from its before. A fault of the propeller raises the first and the third, one of the motor the
    first two, one of the seat only the first. All is normal about these with an unknown fault, and with a spread that is learned from
    the repeats at hand, starting from the repeatability: a multivariate t (O'Hagan & Forster, Kendall's Advanced Theory 2B (2004)).
    What counts is the change given what there was before, so that nothing is counted twice that the readings before said by
    themselves. Which quantities show the fault is not known beforehand; of lines that any one may show it, one counts. Amplitudes add
    as vectors: lines are compared by amplitude, at one gain and one noise, see `vibekit.change`.
    """
    if not (before and after and second_before and second_after):
        return None
    settings = before[0][0].settings
    spread = repeats.of(name, settings.test, settings.sensor)
    sides = ((before, past or second_before), (after, past or second_before), (second_after, second_before), (after, before))
    lines = []
    for part in _parts(name, settings):
        cells = [_cell(name, part, each, beside, peers=not past and i < 2) for i, (each, beside) in enumerate(sides)]
        if all(cell is not None for cell in cells):
            lines.append(_line(name, part, [c for c in cells if c is not None], spread, own=bool(past)))
    if not lines:
        return None
    like = {place: _mean([each[place] for _, each, _ in lines]) for place in FAULTY}
    one, two = (_mean([before[i] for _, _, before in lines]) for i in (0, 1))
    chance: dict[Place, float] = {"nowhere": 0.0}
    for place in FAULTY[:-1]:
        chance[place] = _given(_shown(like[place]), _shown(one))
    chance["both"] = _given(_shown(like["propeller"], like["motor"], like["both"]), _shown(one, one, two))
    of = math.log10(len(lines))
    return Weighed(
        chance,
        tuple((moved, {p: each[p] / math.log(10) - of if each[p] > -math.inf else 0.0 for p in FAULTY}) for moved, each, _ in lines),
    )


def _shown(one: float, other: float | None = None, both: float = 0.0) -> float:
    """Log of how likely all three shifts are with a fault that this quantity may show or not; with two faults, either, both or neither."""
    shown, hidden = math.log(SHOWN), math.log1p(-SHOWN)
    if other is None:
        return float(np.logaddexp(hidden, shown + one))
    return float(np.logaddexp.reduce([2 * hidden, shown + hidden + one, hidden + shown + other, 2 * shown + both]))


def _given(after: float, before: float) -> float:
    """Log of how likely the change is given what there was before; a share is kept for what no model foresees."""
    return float(np.logaddexp(math.log(LEAST), math.log1p(-LEAST) + after - before))


def weigh_bare(name: str, bare: Sequence[Reading], past: Sequence[Reading], repeats: Repeatability) -> float:
    """Log of how likely a quantity of a rotor without a propeller is with a fault in its motor that it shows, against none.

    past: bare, when it was sound. 0 where it cannot be compared.
    """
    if not bare or not past:
        return 0.0
    settings = bare[0].settings
    spread = repeats.of(name, settings.test, settings.sensor)
    found = []
    for part in _parts(name, settings):
        cell = _cell(name, part, (tuple(bare),), (tuple(past),), peers=False, each=True)
        if cell is not None:
            repeat, degrees = _learned([cell], spread)
            variance = repeat * (1 / cell.count + 1 / cell.references) + (0.0 if name in LINES else SITTING_DB**2)
            fault = (FAULT if name in LINES else FAULT_DB) ** 2
            y = np.array([_even(name, cell.shift)])
            none = _log_t(y, np.array([[variance]]), degrees)
            found.append(_log_t(y, np.array([[variance + fault]]), degrees) - none if cell.shift > 0 else -math.inf)
    return _mean(found) if found else 0.0


def _mean(logs: Sequence[float]) -> float:
    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))


def _parts(name: str, settings: Settings) -> list[tuple[float, ...]]:
    """The lines that are weighed together; one by one where any one may show the fault."""
    if name not in LINES:
        return [()]
    orders = group(name, settings)
    return [(order,) for order in orders] if name in EACH else [orders]


def _cell(name: str, orders: Sequence[float], fittings: Fittings, references: Fittings, *, peers: bool, each: bool = False) -> _Cell | None:
    """One side beside its references. each: readings of one fitting count one by one, though it is 1x."""
    at = {id(r): i for i, fitting in enumerate(references) for r in fitting}
    shifts, noise, beside = [], [], None
    together = name in REFIT_MOVES and not each
    for fitting in fittings:
        found = []
        for pair in pair_up(fitting, [r for each in references for r in each]):
            kept = _one_a_fitting(pair, at) if together else pair
            match = match_lines(kept, orders, peers=peers) if name in LINES else match_levels(kept, name, peers=peers)
            if match is not None:
                found.append(match)
        beside = beside or (found[0] if found else None)
        if together and found:
            shifts.append(float(np.mean([m.shift for m in found])))
        elif found:
            shifts += [m.shift for m in found]
        noise += [m.noise for m in found]
    if beside is None:
        return None
    values = np.array(shifts)
    repeats = 0 if peers else beside.references - 1
    return _Cell(
        float(values.mean()), float(np.mean(noise)), float(((values - values.mean()) ** 2).sum()) + beside.scatter,
        len(values) - 1 + repeats, len(values), beside.references,
    )  # fmt: skip


def _one_a_fitting(pair: Pairing, at: Mapping[int, int]) -> Pairing:
    """The pairing with one reference for each time the propeller was fitted."""
    first = {at[id(r)]: i for i, r in reversed(list(enumerate(pair.references)))}
    kept = sorted(first.values())
    return replace(pair, references=tuple(pair.references[i] for i in kept), gains_db=tuple(pair.gains_db[i] for i in kept))


def _line(
    name: str, part: tuple[float, ...], cells: Sequence[_Cell], spread: Spread, *, own: bool
) -> tuple[Moved, dict[Place, float], tuple[float, ...]]:
    """What moved, log of the likelihood of all three shifts under each place against none, and of the first alone under one fault and two.

    own: the first rotor is held against its own past
    """
    y = np.array([_even(name, cell.shift) for cell in cells[:3]])
    repeat, degrees = _learned(cells[:3], spread)
    variance = np.array([repeat * (1 / cell.count + 1 / cell.references) for cell in cells])
    if name not in LINES:
        variance = variance + SITTING_DB**2
    base = np.diag(variance[:3])
    base[0, 1] = base[1, 0] = repeat / cells[0].references
    propeller, motor = np.array([1.0, 0.0, 1.0]), np.array([1.0, 1.0, 0.0])
    if own:
        base = base + DIFFER[name] ** 2 * np.diag([0.0, 1.0, 1.0])
    else:
        base = base + spread.spread**2 * (np.outer(propeller, propeller) + np.outer(motor, motor))
    fault = (FAULT if name in LINES else FAULT_DB) ** 2
    arm = np.array([[1.0, SAME_ARM, 0.0], [SAME_ARM, 1.0, 0.0], [0.0, 0.0, 0.0]])
    arms = np.array([[1.0, 0.0, OTHER_ARM], [0.0, 0.0, 0.0], [OTHER_ARM, 0.0, 1.0]])
    effects: dict[Place, Array] = {
        "seat": fault * np.diag([1.0, 0.0, 0.0]),
        "propeller": fault * arms,
        "motor": fault * arm,
        "both": fault * (arms + arm),
    }
    none = _log_t(y, base, degrees)
    like = {place: _log_t(y, base + effect, degrees) - none for place, effect in effects.items()}
    alone = tuple(_log_t(y[:1], base[:1, :1] + n * fault, degrees) - _log_t(y[:1], base[:1, :1], degrees) for n in (1, 2))
    if y[2] < 0:  # a fault raises
        like["propeller"] = like["seat"] + math.log(HIDDEN)
    if y[1] < 0:
        like["motor"] = like["seat"] + math.log(HIDDEN)
    if y[1] < 0 or y[2] < 0:
        like["both"] = max(like["propeller"], like["motor"])
    if y[0] < STANDS_OUT * math.sqrt(base[0, 0]):
        like, alone = dict.fromkeys(like, -math.inf), (-math.inf, -math.inf)
    numbers = [_decibel(name, cell, float(v)) for cell, v in zip(cells, variance, strict=True)]
    title = f"{part[0]:g}x" if name in EACH else WORDS[name]
    return Moved(title, numbers[0], numbers[3], numbers[2], 0.0), like, alone


def _learned(cells: Sequence[_Cell], spread: Spread) -> tuple[float, float]:
    """Variance of repeating, learned from these cells, and the observations it is known from."""
    degrees = spread.worth + sum(cell.freedom for cell in cells)
    pooled = (spread.worth * spread.deviation**2 + sum(cell.squares for cell in cells)) / degrees
    return max(pooled, float(np.mean([cell.noise for cell in cells]))), degrees


def _even(name: str, shift: float) -> float:
    """A shift on a scale on which it scatters evenly: amplitudes fall to nothing at most, and rise by any factor."""
    return math.log1p(shift) if name in LINES and shift > 0 else shift


def _decibel(name: str, cell: _Cell, variance: float) -> tuple[float, float]:
    half = 1.96 * math.sqrt(variance)
    if name not in LINES:
        return cell.shift, half
    ratio = max(1 + cell.shift, LEAST_RATIO)
    return DB * math.log(ratio), DB * half / ratio


def _log_t(y: Array, scale: Array, degrees: float) -> float:
    """Logarithm of the density of a multivariate t about 0."""
    size = len(y)
    square = float(y @ np.linalg.solve(scale, y))
    spread = size * math.log(degrees * math.pi) + float(np.linalg.slogdet(scale)[1])
    constant = float(gammaln((degrees + size) / 2) - gammaln(degrees / 2)) - spread / 2
    return constant - (degrees + size) / 2 * math.log1p(square / degrees)
