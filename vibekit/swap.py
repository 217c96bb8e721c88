"""The swap test: the propellers of two rotors change places; does the fault go with the propeller, or stay with the motor?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from vibekit.change import DB, LEAST_RATIO, SITTING_DB, Match, change, match_levels, match_lines, pair_up
from vibekit.line_groups import LINES, group
from vibekit.observation import WORDS
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability, Spread

Array = npt.NDArray[np.float64]
Answer = Literal["propeller", "motor", "both", "refit", "cannot tell"]

ANSWERS: dict[Answer, str] = {
    "propeller": "the fault went with the propeller",
    "motor": "the fault stayed with the motor",
    "both": "something went with the propeller and something stayed with the motor",
    "refit": "no fault that stands above what refitting does",
    "cannot tell": "cannot be told from these readings",
}
PRIORS: dict[Answer, float] = {"propeller": 0.3, "motor": 0.3, "both": 0.02, "refit": 0.38}  # common practice, no source
SURE = 0.85  # probability from which an answer is given
REFITS = 3  # readings with the propeller taken off in between, from which what refitting does is known
QUANTITIES = ("1x", "2x", "other orders", "electrical lines", "comb", "roughness")
EACH = ("other orders", "electrical lines")  # any one line of these may show the fault
FAULT = 3.0  # standard deviation of what a fault does: relative amplitude of a line (wide: none to ten times)
FAULT_DB = 10.0  # the same of a level
SHOWN = 0.3  # share of quantities that show a fault (common practice, no source)
STANDS_OUT = 2.0  # deviates by which a quantity of the first rotor stands out before the swap; one that does not cannot show the fault
SAME_ARM = 0.98  # correlation of a motor's fault under either propeller: one arm and one sensor, another vector to add to
NULL = 3.0  # deviates by which an untouched rotor moves when more than the propellers changed


@dataclass(frozen=True, slots=True)
class Swapped:
    """Readings of a rotor with its own propeller (`before`) and with the other's (`after`); bare: without one, now, on either side.

    past: with propeller or bare, from when it was sound; what was not measured is empty
    """

    position: str
    before: tuple[Reading, ...]
    after: tuple[Reading, ...]
    bare: tuple[Reading, ...] = ()
    past: tuple[Reading, ...] = ()


@dataclass(frozen=True, slots=True)
class Moved:
    """What one quantity did at the swap on either rotor, dB with the half width of the 95 % interval.

    excess: of the first rotor before the swap, against its past or, without one, against the second
    first, second: change at the swap, None for what was measured bare; weight: log10 of how much likelier
    it is under the answer given than with no fault
    """

    name: str
    excess: tuple[float, float]
    first: tuple[float, float] | None
    second: tuple[float, float] | None
    weight: float


@dataclass(frozen=True, slots=True)
class SwapResult:
    """What the swap says. probabilities: of every answer but "cannot tell"; moved: what speaks loudest first

    refits: readings of the first rotor before the swap; next_step: what to measure when it cannot be told or nothing shows, else ""
    """

    answer: Answer
    probabilities: dict[Answer, float]
    moved: tuple[Moved, ...]
    refits: int
    cautions: tuple[str, ...]
    next_step: str


@dataclass(frozen=True, slots=True)
class _Cell:
    """One side against its references. squares, freedom: scatter of the readings about their mean."""

    shift: float
    noise: float
    squares: float
    freedom: int
    count: int
    references: int


@dataclass(frozen=True, slots=True)
class _Weighed:
    name: str
    like: dict[Answer, float]  # log likelihood
    moved: Moved


def judge_swap(first: Swapped, second: Swapped, repeatability: Repeatability, untouched: Sequence[Swapped] = ()) -> SwapResult:
    """Judge the swap of the propellers of two rotors. first: the suspect; untouched: rotors that nobody touched in between.

    Per quantity three shifts are told: of the first rotor before and after the swap from its sound past (without one: from the second
    rotor's before), and of the second's after from its before. A fault of the propeller raises the first and the third, one of the
    motor the first two. Bare, only a fault of the motor shows. All is normal about these with an unknown fault, and with a spread that
    is learned from the repeats at hand, starting from the repeatability: a multivariate t (O'Hagan & Forster, Kendall's Advanced Theory
    2B (2004)). Good propellers and motors differ, too; by how much one line of them may is not known well, so without a sound past only
    a fault that goes with the propeller is called. Which quantities show the fault is not known beforehand; of lines that any one may
    show it, one counts. Amplitudes add as vectors: lines are compared by amplitude, at one gain and one noise, see `vibekit.change`.
    """
    shaken = {name for rotor in untouched for name in QUANTITIES if _moved_by_itself(rotor, name, repeatability)}
    weighed = [w for name in QUANTITIES if name not in shaken for w in _weigh(name, first, second, repeatability)]
    weighed += [w for name in QUANTITIES for w in _weigh_bare(name, first, second, repeatability)]
    cautions = [f"{WORDS[name]} changed on a rotor that nobody touched, and is left out" for name in QUANTITIES if name in shaken]
    if not first.past:
        cautions.append(
            f"{first.position} has no sound past: it is held against {second.position}, and good motors differ, so a motor is not blamed"
        )
    if len(first.before) < REFITS:
        cautions.append(f"what refitting does was not measured ({REFITS} readings, the propeller off in between): taken from the rig")
    if not first.bare:
        cautions.append(f"{first.position} was not measured bare: a fault of the motor may hide behind its propeller")
    if not untouched:
        cautions.append("no untouched rotor was measured on either side: a change of the whole set-up would not show")
    if not any(w.moved.first for w in weighed):
        again = "measure both rotors before and after, same test, sensor, set-up and speed"
        return SwapResult("cannot tell", dict(PRIORS), (), len(first.before), tuple(cautions), again)
    probabilities = _posterior(weighed)
    best = max(probabilities, key=lambda a: probabilities[a])
    told = probabilities[best] >= SURE and (bool(first.past) or best == "propeller")
    answer = best if told else "cannot tell"
    moved = sorted((w.moved for w in weighed), key=lambda m: -abs(m.weight))
    return SwapResult(answer, probabilities, tuple(moved), len(first.before), tuple(cautions), _next(answer, first, second))


def _next(answer: Answer, first: Swapped, second: Swapped) -> str:
    if answer == "refit":
        return "if something still sounds wrong, spin the motor by hand and record it bare: a bearing may hide behind the propeller's noise"
    if answer != "cannot tell":
        return ""
    if not first.past:
        return f"change the propeller of {first.position} for one known to be good: what stays is the motor's; measure it bare, too"
    few = min(len(side) for side in (first.before, first.after, second.before, second.after))
    if few < REFITS:
        return f"measure each side until there are {REFITS} readings of it, the propeller taken off and put back in between"
    if not first.bare:
        return f"measure {first.position} bare: what is left without a propeller is the motor's"
    return f"put a propeller that is known to be good on {first.position}, measure again and compare with what was measured here"


def _moved_by_itself(rotor: Swapped, name: str, repeatability: Repeatability) -> bool:
    if not rotor.before or not rotor.after:
        return False
    moved = change(name, rotor.after, rotor.before, repeatability)
    return moved is not None and abs(moved.z) >= NULL


def _parts(name: str, reading: Reading) -> list[tuple[float, ...]]:
    """The lines that are weighed together; one by one where any one may show the fault.

    2x is weighed bare only: good propellers differ in it, blade from blade.
    """
    settings = reading.settings
    if name not in LINES:
        return [()]
    if name == "2x" and settings.test != "bare":
        return []
    orders = group(name, settings)
    return [(order,) for order in orders] if name in EACH else [orders]


def _title(name: str, part: tuple[float, ...], tail: str = "") -> str:
    return f"{part[0]:g}x{tail}" if name in EACH else f"{WORDS[name]}{tail}"


def _weigh(name: str, first: Swapped, second: Swapped, repeatability: Repeatability) -> list[_Weighed]:
    """Weigh a quantity on both sides of the swap, or each line of it where any one may show the fault."""
    if not (first.before and first.after and second.before and second.after):
        return []
    own = [r for r in first.past if r.settings.test != "bare"]
    past = own or second.before
    sides = (
        (first.before, past, not own),
        (first.after, past, not own),
        (second.after, second.before, False),
        (first.after, first.before, False),
    )
    settings = first.before[0].settings
    spread = repeatability.of(name, settings.test, settings.sensor)
    parts = _parts(name, first.before[0])
    found = []
    for part in parts:
        cells = [_cell(name, part, readings, references, peers=peers) for readings, references, peers in sides]
        if all(cell is not None for cell in cells):
            found.append(_weighed(name, _title(name, part), [c for c in cells if c is not None], spread, own=bool(own), of=len(parts)))
    return found


def _weigh_bare(name: str, first: Swapped, second: Swapped, repeatability: Repeatability) -> list[_Weighed]:
    """Weigh a quantity of the first rotor without a propeller."""
    if not first.bare:
        return []
    own = [r for r in first.past if r.settings.test == "bare"]
    settings = first.bare[0].settings
    spread = repeatability.of(name, settings.test, settings.sensor)
    parts = _parts(name, first.bare[0])
    found = []
    for part in parts:
        cell = _cell(name, part, first.bare, own or second.bare, peers=not own)
        if cell is not None:
            found.append(_weighed_bare(name, _title(name, part, ", bare"), cell, spread, own=bool(own), of=len(parts)))
    return found


def _weighed_bare(name: str, title: str, cell: _Cell, spread: Spread, *, own: bool, of: int) -> _Weighed:
    repeat, degrees = _learned([cell], spread)
    variance = (
        repeat * (1 / cell.count + 1 / cell.references) + (0.0 if name in LINES else SITTING_DB**2) + (0.0 if own else spread.spread**2)
    )
    fault = (FAULT if name in LINES else FAULT_DB) ** 2
    y = np.array([cell.shift])
    sound, hurt = (_log_t(y, np.array([[v]]), degrees) for v in (variance, variance + fault))
    if cell.shift < STANDS_OUT * math.sqrt(variance):
        hurt = -math.inf
    like: dict[Answer, float] = {"refit": sound, "propeller": sound, "motor": hurt, "both": hurt}
    weight = (max(sound, hurt) - sound) / math.log(10) - math.log10(of)
    return _Weighed(f"{name}, bare", like, Moved(title, _decibel(name, cell, variance), None, None, weight))


def _learned(cells: Sequence[_Cell], spread: Spread) -> tuple[float, float]:
    """Variance of repeating, learned from these cells, and the observations it is known from."""
    degrees = spread.worth + sum(cell.freedom for cell in cells)
    pooled = (spread.worth * spread.deviation**2 + sum(cell.squares for cell in cells)) / degrees
    return max(pooled, float(np.mean([cell.noise for cell in cells]))), degrees


def _cell(name: str, orders: Sequence[float], readings: Sequence[Reading], references: Sequence[Reading], *, peers: bool) -> _Cell | None:
    pairs = pair_up(readings, references)

    def match(at: int) -> Match | None:
        return match_lines(pairs[at], orders, peers=peers) if name in LINES else match_levels(pairs[at], name, peers=peers)

    matched = [m for at in range(len(pairs)) if (m := match(at)) is not None]
    if not matched:
        return None
    shifts = np.array([m.shift for m in matched])
    own = float(((shifts - shifts.mean()) ** 2).sum())
    beside = matched[0]
    repeats = 0 if peers else beside.references - 1
    return _Cell(
        float(shifts.mean()), float(np.mean([m.noise for m in matched])), own + beside.scatter, len(shifts) - 1 + repeats, len(shifts),
        beside.references,
    )  # fmt: skip


def _weighed(name: str, title: str, cells: Sequence[_Cell], spread: Spread, *, own: bool, of: int) -> _Weighed:
    """Weigh one quantity. own: the first rotor is held against its own past; of: lines of the group that may each show the fault."""
    y = np.array([cell.shift for cell in cells[:3]])
    repeat, degrees = _learned(cells[:3], spread)
    variance = np.array([repeat * (1 / cell.count + 1 / cell.references) for cell in cells])
    if name not in LINES:
        variance = variance + SITTING_DB**2
    base = np.diag(variance[:3])
    base[0, 1] = base[1, 0] = repeat / cells[0].references
    propeller, motor = np.array([1.0, 0.0, 1.0]), np.array([1.0, 1.0, 0.0])
    differ = [np.array([0.0, -1.0, 1.0])] if own else [propeller, motor]
    base = base + spread.spread**2 * sum(np.outer(v, v) for v in differ)
    fault = (FAULT if name in LINES else FAULT_DB) ** 2
    arm = np.array([[1.0, SAME_ARM, 0.0], [SAME_ARM, 1.0, 0.0], [0.0, 0.0, 0.0]])
    effects: dict[Answer, Array] = {
        "refit": np.zeros((3, 3)),
        "propeller": fault * np.diag(propeller),
        "motor": fault * arm,
        "both": fault * (np.diag(propeller) + arm),
    }
    like = {answer: _log_t(y, base + effect, degrees) for answer, effect in effects.items()}
    if y[0] < STANDS_OUT * math.sqrt(base[0, 0]):
        like |= dict.fromkeys(("propeller", "motor", "both"), -math.inf)
    best = max(like, key=lambda a: like[a])
    numbers = [_decibel(name, cell, float(v)) for cell, v in zip(cells, variance, strict=True)]
    moved = Moved(title, numbers[0], numbers[3], numbers[2], (like[best] - like["refit"]) / math.log(10) - math.log10(of))
    return _Weighed(name, like, moved)


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


def _posterior(weighed: Sequence[_Weighed]) -> dict[Answer, float]:
    """Bayes' rule: each fault shows in a share of the quantities, whichever they are."""
    joint = {answer: math.log(prior) for answer, prior in PRIORS.items()}
    for name in dict.fromkeys(w.name for w in weighed):
        lines = [w.like for w in weighed if w.name == name]
        propeller, motor, both = (_log_mean([like[answer] - like["refit"] for like in lines]) for answer in ("propeller", "motor", "both"))
        shown, hidden = math.log(SHOWN), math.log1p(-SHOWN)
        joint["propeller"] += float(np.logaddexp(hidden, shown + propeller))
        joint["motor"] += float(np.logaddexp(hidden, shown + motor))
        joint["both"] += float(np.logaddexp.reduce([2 * hidden, shown + hidden + propeller, shown + hidden + motor, 2 * shown + both]))
    total = float(np.logaddexp.reduce(list(joint.values())))
    return {answer: math.exp(weight - total) for answer, weight in joint.items()}


def _log_mean(logs: Sequence[float]) -> float:
    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))
