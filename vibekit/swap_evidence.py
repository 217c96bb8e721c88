"""What changed at a swap of two propellers, and how likely that is wherever the fault may be."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.bare_and_propeller import Place
from vibekit.change import LEAST_RATIO
from vibekit.decibel import NEPER_DB
from vibekit.line_groups import ANY_ONE, LINES
from vibekit.normal import Z95
from vibekit.observation import WORDS
from vibekit.overload import cut_flat, together
from vibekit.refit import Fittings, flat
from vibekit.repeatability import Repeatability, Spread
from vibekit.shift import SHOWN, Shift, Sides, even, fault_variance, learned, log_t, parts, shift_of, sitting_variance, some_show

Array = npt.NDArray[np.float64]

QUANTITIES = ("1x", "2x", "other orders", "electrical lines", "comb", "roughness")
SAME_ARM = 0.98  # correlation of a motor's fault under either propeller: one arm and one sensor, another vector to add to
OTHER_ARM = 0.85  # the same of a propeller's fault on either rotor: other arms, other vectors to add to (common practice, no source)
STANDS_OUT = 1.5  # deviates by which a quantity of the first rotor stands out before the swap; one that does not cannot show the fault
MOVED = 2.0  # deviates by which an untouched rotor moves when more than the propellers changed
CURRENT = ("electrical lines",)  # of the windings: that one rises with the other propeller says nothing of that propeller
ALIKE = ((0.8, 0.75), (0.2, 1.7))  # share of craft, and by what factor their good propellers and arms differ as much as all: kurtosis 5
FAULTY: tuple[Place, ...] = ("seat", "propeller", "motor", "both")
# rows: first before - past, first after - past, second after - before, second before - first past
# columns: first past, first before, first after, second before, second after
SIDES = np.array([[-1.0, 1, 0, 0, 0], [-1, 0, 1, 0, 0], [0, 0, 0, -1, 1], [-1, 0, 0, 1, 0]])
# without a past: first before - second before, first after - second before, second after - before
WITHOUT_PAST = np.array([[1.0, 0, 0, -1], [0, 1, 0, -1], [0, 0, 1, 0]])


@dataclass(frozen=True, slots=True)
class Differ:
    """How good propellers and arms differ, beyond repeating: standard deviations and correlations of the last three rows of SIDES.

    What the first rotor gains with the second's propeller the second loses, and the second had it before.
    """

    swapped: float
    rotors: float
    exchange: float
    had: float

    def covariance(self) -> Array:
        """(4, 4), by the rows of SIDES."""
        one, two = self.swapped, self.rotors
        gains, had = self.exchange * one * one, self.had * one * two
        return np.array([[0.0, 0, 0, 0], [0, one**2, gains, had], [0, gains, one**2, -had], [0, had, -had, two**2]])


# of 200 sound craft of the rig's populations, lines that differ (`exchanges` in tests/swaps.py). No good propeller makes half orders;
# roughness, dB: common practice, no source
DIFFER = {
    "1x": Differ(0.8, 0.85, -0.1, 0.5),
    "2x": Differ(0.52, 0.66, -0.67, 0.7),
    "other orders": Differ(0.42, 0.47, -0.81, 0.82),
    "electrical lines": Differ(0.25, 0.26, -0.63, 0.68),
    "comb": Differ(0.05, 0.1, 0.0, 0.0),
    "roughness": Differ(0.8, 1.5, -0.6, 0.4),
}


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

    like: log of how likely it is with a fault at each place that it shows, against none
    """

    like: Mapping[Place, float]
    moved: tuple[tuple[Moved, Mapping[Place, float]], ...]

    @property
    def two(self) -> float:
        """The same with a fault of both, of which it may show either, both or neither."""
        shown, hidden = math.log(SHOWN), math.log1p(-SHOWN)
        either = [shown + hidden + self.like["propeller"], hidden + shown + self.like["motor"]]
        return float(np.logaddexp.reduce([2 * hidden, *either, 2 * shown + self.like["both"]]))


@dataclass(frozen=True, slots=True)
class Compared:
    """What is held against what at a swap.

    before, after, had: the first rotor before and after, and the second before, against the first one's sound past; without one, the
    first against the second before. second: the second rotor after against before, swapped: the first; untouched: other rotors
    """

    before: Sides
    after: Sides
    second: Sides
    had: Sides | None
    swapped: Sides
    untouched: tuple[Sides, ...]

    @classmethod
    def of(
        cls,
        first: tuple[Fittings, Fittings],
        second: tuple[Fittings, Fittings],
        past: Fittings,
        untouched: Sequence[tuple[Fittings, Fittings]] = (),
    ) -> "Compared | None":
        """Each rotor before and after; None where one of these is missing."""
        if not (all(first) and all(second)):
            return None
        (before, after), beside = first, past or second[0]
        return cls(
            Sides.of(before, beside),
            Sides.of(after, beside),
            Sides.of(second[1], second[0]),
            Sides.of(second[0], past) if past else None,
            Sides.of(after, before),
            tuple(Sides.of(other, one) for one, other in untouched if one and other),
        )


def weigh(name: str, sides: Compared, repeats: Repeatability) -> Weighed | None:
    """Weigh a quantity on both sides of a swap; None where it cannot be compared on each.

    A fault of the propeller raises the first rotor before the swap and the second after it, one of the motor the first on either side,
    one of the seat only the first before. All is normal about these with an unknown fault and with what good propellers and arms
    differ by, and with a spread that is learned from the repeats at hand, starting from the repeatability: a multivariate t (O'Hagan &
    Forster, Kendall's Advanced Theory 2B (2004)). Of lines that any may show it, some do. Amplitudes add as vectors: lines are
    compared by amplitude, at one gain and one noise, see `vibekit.change`.
    """
    settings, own = sides.before.settings, sides.had is not None
    spread = repeats.of(name, settings.test, settings.sensor)
    lines = []
    for orders in parts(name, settings):
        compared = [
            shift_of(name, orders, sides.before, peers=not own),
            shift_of(name, orders, sides.after, peers=not own),
            shift_of(name, orders, sides.second),
            *([shift_of(name, orders, sides.had)] if sides.had else []),
        ]
        swapped = shift_of(name, orders, sides.swapped)
        shifts = [s for s in compared if s is not None]
        if swapped is not None and len(shifts) == len(compared):
            idle = [s for each in sides.untouched if (s := shift_of(name, orders, each)) is not None]
            sitting = max((_off(name, s, spread) for s in idle), default=0.0) + sitting_variance(name)
            lines.append(_line(name, orders, shifts, swapped, spread, sitting))
    if not lines:
        return None
    of = math.log10(len(lines))
    return Weighed(
        {place: some_show([like[place] for _, like in lines]) if len(lines) > 1 else lines[0][1][place] for place in FAULTY},
        tuple((moved, {p: log / math.log(10) - of if log > -math.inf else 0.0 for p, log in like.items()}) for moved, like in lines),
    )


def weigh_overload(sides: Compared) -> Weighed | None:
    """Weigh which recordings are cut flat: where a fault is, they are so at a rate of its own. None where the first rotor's before the
    swap are not, or without a sound past.
    """
    past, before, after = flat(sides.before.references), flat(sides.before.fittings), flat(sides.after.fittings)
    given, taken = flat(sides.second.references), flat(sides.second.fittings)
    if sides.had is None or not any(map(cut_flat, before)):
        return None
    none = together(past, before, after) + together(given, taken)
    moves, stays = together(given) + together(taken), together(given, taken)
    like: dict[Place, float] = {
        "seat": together(before) + together(past, after) + stays,
        "propeller": together(before) + together(past, after) + moves,
        "motor": together(before, after) + together(past) + stays,
        "both": together(before) + together(after) + together(past) + moves,
    }
    return Weighed({place: log - none for place, log in like.items()}, ())


def _off(name: str, idle: Shift, spread: Spread) -> float:
    """Variance of what a sitting is off, from an untouched rotor that moved more than its repeats tell."""
    repeat, _ = learned([idle], spread)
    variance = repeat * (1 / idle.count + 1 / idle.references) + sitting_variance(name)
    square = even(name, idle.value) ** 2
    return square - variance if square > MOVED**2 * variance else 0.0


def _line(
    name: str, orders: tuple[float, ...], shifts: Sequence[Shift], swapped: Shift, spread: Spread, sitting: float
) -> tuple[Moved, dict[Place, float]]:
    """What moved, and log of the likelihood of all shifts under each place against none. shifts: by the rows of SIDES or WITHOUT_PAST;
    sitting: variance of what a sitting is off.
    """
    first, after, second = shifts[:3]
    repeat, degrees = learned(shifts[:3], spread)
    own = len(shifts) == len(SIDES)
    view = np.eye(len(SIDES)) if own else WITHOUT_PAST
    counts = np.array([first.references, first.count, after.count, second.references, second.count])
    each = np.diag(repeat / counts + sitting / 2)
    y = np.array([even(name, s.value) for s in shifts])
    fault = fault_variance(name)

    def log_likelihood(effect: Array) -> float:
        """Of what changed, given how the second rotor differed before; good propellers that differ much are few, but there are some."""
        logs = []
        for share, factor in ALIKE:
            scale = view @ (SIDES @ each @ SIDES.T + factor**2 * DIFFER[name].covariance() + fault * effect) @ view.T
            log = log_t(y, scale, degrees)
            if own:
                told = scale[:3, 3] / scale[3, 3]
                log = log_t(y[:3] - told * y[3], scale[:3, :3] - np.outer(told, scale[:3, 3]), degrees)
            logs.append(math.log(share) + log)
        return float(np.logaddexp.reduce(logs))

    none = log_likelihood(np.zeros((4, 4)))
    like = {place: log_likelihood(effect) - none for place, effect in EFFECTS.items()}
    if y[0] < STANDS_OUT * math.sqrt(each[0, 0] + each[1, 1]):
        like = dict.fromkeys(like, -math.inf)
    elif name in CURRENT:
        like |= {"propeller": like["seat"], "both": max(like["seat"], like["motor"])}
    half = [Z95 * math.sqrt(repeat * (1 / s.count + 1 / s.references) + sitting) for s in (first, swapped, second)]
    numbers = [_decibel(name, s.value, u95) for s, u95 in zip((first, swapped, second), half, strict=True)]
    title = f"{orders[0]:g}x" if name in ANY_ONE else WORDS[name]
    return Moved(title, numbers[0], numbers[1], numbers[2], 0.0), like


def _effect(place: Place) -> Array:
    """(4, 4) covariance of what a fault of unit variance does, by the rows of SIDES."""
    effect = np.zeros((4, 4))
    effect[0, 0] = 2.0 if place == "both" else 1.0
    for there, row, alike in (("propeller", 2, OTHER_ARM), ("motor", 1, SAME_ARM)):
        if place in (there, "both"):
            effect[row, row], effect[0, row], effect[row, 0] = 1.0, alike, alike
    return effect


EFFECTS = {place: _effect(place) for place in FAULTY}


def _decibel(name: str, shift: float, half: float) -> tuple[float, float]:
    if name not in LINES:
        return shift, half
    ratio = max(1 + shift, LEAST_RATIO)
    return NEPER_DB * math.log(ratio), NEPER_DB * half / ratio
