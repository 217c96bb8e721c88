"""How far one side stands off its references, and how likely that is with a fault in it."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from vibekit.change import BROADBAND, SITTING_DB, Pairing, match_levels, match_lines, pair_up
from vibekit.gain import wary_gain
from vibekit.line_groups import ANY_ONE, LINES, group
from vibekit.refit import Fittings
from vibekit.repeatability import NOT_IN_TABLE, Repeatability, Spread
from vibekit.settings import Settings

Array = npt.NDArray[np.float64]

REFIT_MOVES = ("1x",)  # readings of one fitting count as one: they share how the propeller sits
FAULT = 1.5  # standard deviation of the logarithm of what a fault does to a line (wide: none to twenty times)
FAULT_DB = 10.0  # the same of a level
CLICKS_DB = 1.0  # the same of clicks, which scatter little: what is called slight in `vibekit.observation`
SHOWN = 0.3  # share of quantities that show a fault (common practice, no source)
WORTH = 6.0  # observations that a table is worth at most: craft, and lines of one craft, repeat unlike (common practice, no source)
HIDDEN = 0.03  # chance that a fault shows in none (common practice, no source)


@dataclass(frozen=True, slots=True)
class Shift:
    """One side against its references: relative difference of amplitude, or difference in dB.

    noise: variance of one recording from the measurement itself; squares, freedom: scatter of the readings about their mean
    count, references: how many stand on either side
    """

    value: float
    noise: float
    squares: float
    freedom: int
    count: int
    references: int


def parts(name: str, settings: Settings) -> list[tuple[float, ...]]:
    """The lines that are weighed together; one by one where any one may show the fault. No fault raises blade pass, be it 2x;
    with a propeller its own lines stand at whole orders, so a loose part is looked for at the half ones.
    """
    if name not in LINES:
        return [()]
    if name == "2x" and group("blade pass", settings) == (2.0,):
        return []
    orders = group(name, settings)
    if name == "comb" and group("other orders", settings):
        orders = tuple(order for order in orders if order % 1)
    return [(order,) for order in orders] if name in ANY_ONE else [orders]


@dataclass(frozen=True, slots=True)
class Sides:
    """One side and its references, paired up once for all quantities: pairings of the readings of each fitting."""

    fittings: Fittings
    references: Fittings
    pairs: tuple[tuple[Pairing, ...], ...]

    @classmethod
    def of(cls, fittings: Fittings, references: Fittings) -> "Sides":
        """Pair each reading with the references nearest in speed."""
        every = [r for each in references for r in each]
        return cls(fittings, references, tuple(tuple(map(_wary, pair_up(fitting, every))) for fitting in fittings))

    @property
    def settings(self) -> Settings:
        """Of the first reading."""
        return self.fittings[0][0].settings


def shift_of(name: str, orders: Sequence[float], sides: Sides, *, peers: bool = False) -> Shift | None:
    """One side beside its references; None where they cannot be compared. peers: the references are another rotor's.

    A raised line scatters with its own height: what the gain of the sensor does grows with it.
    """
    at = {id(r): i for i, fitting in enumerate(sides.references) for r in fitting}
    shifts, noise, beside = [], [], None
    together = name in REFIT_MOVES and bool(sides.fittings) and sides.settings.test != "bare"
    for pairs in sides.pairs:
        found = []
        for pair in pairs:
            kept = _one_a_fitting(pair, at) if together else pair
            match = match_lines(kept, orders, peers=peers, whole=True) if name in LINES else match_levels(kept, name, peers=peers)
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
    middle = float(values.mean())
    own = (values - middle) / (max(1 + middle, 1.0) if name in LINES else 1.0)
    repeats = 0 if peers else beside.references - 1
    return Shift(
        middle, float(np.mean(noise)), float((own**2).sum()) + beside.scatter, len(values) - 1 + repeats, len(values), beside.references
    )


def _wary(pair: Pairing) -> Pairing:
    """The pairing at gains that a fault of the propeller does not move."""
    if pair.reading.settings.test == "bare":
        return pair
    beside = zip(pair.references, pair.gains_db, strict=True)
    return replace(pair, gains_db=tuple(wary_gain(pair.reading, reference, gain) for reference, gain in beside))


def _one_a_fitting(pair: Pairing, at: Mapping[int, int]) -> Pairing:
    """The pairing with one reference for each time the propeller was fitted."""
    first = {at[id(r)]: i for i, r in reversed(list(enumerate(pair.references)))}
    kept = sorted(first.values())
    return replace(pair, references=tuple(pair.references[i] for i in kept), gains_db=tuple(pair.gains_db[i] for i in kept))


def learned(shifts: Sequence[Shift], spread: Spread) -> tuple[float, float]:
    """Variance of repeating, learned from these shifts, and the observations it is known from.

    It starts from the repeatability; of what that does not know, from the interval of the readings themselves.
    """
    noise = float(np.mean([s.noise for s in shifts]))
    prior = noise if spread is NOT_IN_TABLE else spread.deviation**2
    worth = min(spread.worth, WORTH)
    degrees = worth + sum(s.freedom for s in shifts)
    return max((worth * prior + sum(s.squares for s in shifts)) / degrees, noise), degrees


def even(name: str, shift: float) -> float:
    """A shift on a scale on which it scatters evenly, and on which faults do: amplitudes scatter by what adds to them, up to twice the
    reference, and rise by any factor.
    """
    return 1 + math.log(shift) if name in LINES and shift > 1 else shift


def fault_variance(name: str) -> float:
    """Variance of what a fault does to a quantity that shows it, on the scale of `even`."""
    return (FAULT if name in LINES else CLICKS_DB if name == "impulsiveness" else FAULT_DB) ** 2


def sitting_variance(name: str) -> float:
    """Variance of what a whole sitting is off, dB squared."""
    return SITTING_DB**2 if name in BROADBAND else 0.0


def raised(name: str, sides: Sides, repeats: Repeatability) -> float | None:
    """Log of how likely a quantity is with a fault that raises it, against none; None where it cannot be compared.

    Shift and fault are normal, about a spread that is learned from the repeats at hand: Student's t (O'Hagan & Forster, Kendall's
    Advanced Theory 2B (2004)). Of lines that any may show it, some do.
    """
    if not sides.fittings or not sides.references:
        return None
    settings = sides.settings
    spread = repeats.of(name, settings.test, settings.sensor)
    found = []
    for orders in parts(name, settings):
        shift = shift_of(name, orders, sides)
        if shift is None:
            continue
        repeat, degrees = learned([shift], spread)
        variance = repeat * (1 / shift.count + 1 / shift.references) + sitting_variance(name)
        y = np.array([even(name, shift.value)])
        hurt, none = (log_t(y, np.array([[v]]), degrees) for v in (variance + fault_variance(name), variance))
        found.append(hurt - none if shift.value > 0 else -math.inf)
    return some_show(found) if len(found) > 1 else found[0] if found else None


def log_mean(logs: Sequence[float]) -> float:
    """Logarithm of the mean of exp(logs)."""
    return float(np.logaddexp.reduce(logs)) - math.log(len(logs))


def some_show(logs: Sequence[float]) -> float:
    """Log of how likely quantities are, together, with a fault that each shows with the chance SHOWN, and none with HIDDEN."""
    hidden = len(logs) * math.log1p(-SHOWN)
    each = float(sum(np.logaddexp(math.log1p(-SHOWN), math.log(SHOWN) + log) for log in logs))
    if each <= hidden:
        return math.log(HIDDEN)
    seen = each + math.log(-math.expm1(hidden - each)) - math.log(-math.expm1(hidden))
    return float(np.logaddexp(math.log(HIDDEN), math.log1p(-HIDDEN) + seen))


def log_t(y: Array, scale: Array, degrees: float) -> float:
    """Logarithm of the density of a multivariate t about 0."""
    size = len(y)
    square = float(y @ np.linalg.solve(scale, y))
    spread = size * math.log(degrees * math.pi) + float(np.linalg.slogdet(scale)[1])
    constant = float(gammaln((degrees + size) / 2) - gammaln(degrees / 2)) - spread / 2
    return constant - (degrees + size) / 2 * math.log1p(square / degrees)
