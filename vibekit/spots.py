"""Where weights can sit on a rotor, what masses are at hand, and the best choice among them."""

import cmath
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations, combinations_with_replacement

import numpy as np

from vibekit.errors import UsageError

PROPELLER, BELL = "propeller", "bell"
RING = {"hub": 12, "rim": 24}  # places of what takes tape all round: every 30 and every 15 degrees
FEWER = 0.02  # of the wanted unbalance: so much more may remain when it saves a weight or mass
ALIKE = 0.4  # smallest singular value of 1, cos, sin from which three directions tell an angle; 1.22 for a third of a turn each
_FORM = re.compile(r"(blades|flanks|hub|rim|holes(?P<count>\d+)|(?P<angles>[\d.]+(?:\+[\d.]+)*))@(?P<radius>[\d.]+)(?:mm)?(?P<off>-?)")


@dataclass(frozen=True, slots=True)
class Spot:
    """A place for a weight.

    angle_deg: from the mark, in the direction in which the rotor turns; radius_mm: of the weight's middle
    plane: "propeller" or "bell"; removes: material comes off here instead
    """

    name: str
    angle_deg: float
    radius_mm: float
    plane: str = PROPELLER
    removes: bool = False

    def __post_init__(self) -> None:
        if not (self.radius_mm > 0 and math.isfinite(self.angle_deg)):
            raise UsageError(f"place {self.name!r} is at {self.radius_mm:g} mm and {self.angle_deg:g} degrees; the radius must be above 0")

    @property
    def arm(self) -> complex:
        """Unbalance of 1 g here, g mm."""
        return cmath.rect(self.radius_mm, math.radians(self.angle_deg))


@dataclass(frozen=True, slots=True)
class Weight:
    """A mass at a place; negative where material came off."""

    spot: Spot
    mass_g: float

    @property
    def unbalance(self) -> complex:
        """Mass times radius at its angle, g mm."""
        return self.mass_g * self.spot.arm


@dataclass(frozen=True, slots=True)
class Stock:
    """The masses at hand.

    pieces_g: weights, three of them at one place, each as often as wanted
    tape_mg_mm2, tape_mm: mass of an area of tape and its width; cut_mm: to which it can be cut
    step_g: what is weighed or taken off in steps of this mass; nothing given: any mass to 1 mg
    """

    pieces_g: tuple[float, ...] = ()
    tape_mg_mm2: float | None = None
    tape_mm: float | None = None
    cut_mm: float = 1.0
    step_g: float | None = None

    def __post_init__(self) -> None:
        for name, value in (("tape_mg_mm2", self.tape_mg_mm2), ("tape_mm", self.tape_mm), ("cut_mm", self.cut_mm), ("step_g", self.step_g)):
            if value is not None and not value > 0:
                raise UsageError(f"{name} is {value:g}; it must be above 0")
        if any(not piece > 0 for piece in self.pieces_g):
            raise UsageError(f"pieces are {', '.join(f'{p:g}' for p in self.pieces_g)} g; each must be above 0")
        if (self.tape_mg_mm2 is None) != (self.tape_mm is None):
            raise UsageError("tape needs both its mass in mg/mm2 and its width in mm")

    @property
    def tape_g_mm(self) -> float | None:
        """Mass of 1 mm of tape, g."""
        return None if self.tape_mg_mm2 is None or self.tape_mm is None else 1e-3 * self.tape_mg_mm2 * self.tape_mm

    def near(self, mass_g: float) -> list[float]:
        """The masses that can be made just below and above this one, 0 among them where it is the one below."""
        steps = [step for step in (self.step_g, self.tape_g_mm and self.tape_g_mm * self.cut_mm) if step]
        steps += [] if steps or self.pieces_g else [1e-3]
        found = {math.floor(mass_g / step + up) * step for step in steps for up in (1e-9, 1)}
        if self.pieces_g:
            sums = sorted({sum(some) for n in range(4) for some in combinations_with_replacement(self.pieces_g, n)})
            found |= {max(s for s in sums if s <= mass_g), min((s for s in sums if s >= mass_g), default=sums[-1])}
        return sorted(found)

    def words(self, mass_g: float) -> str:
        """Say how to make a mass: "0.12 g (tape 14 mm long)"."""
        tape = self.tape_g_mm
        how = f" (tape cut {mass_g / tape:.3g} mm long)" if tape and abs(mass_g / tape / self.cut_mm % 1 - 0.5) > 0.4999 else ""
        return f"{mass_g:.3g} g{how}"


@dataclass(frozen=True, slots=True)
class Choice:
    """What to mount, and the unbalance that it leaves of what was wanted, g mm."""

    weights: tuple[Weight, ...]
    remaining: complex


def spots_from(texts: Sequence[str], blades: int | None) -> tuple[Spot, ...]:
    """Read places from words: "blades@45", "flanks@20", "hub@6", "holes6@9", "rim@14", "30+150+270@12"; radius in mm.

    A "-" behind says that material comes off there. Blades, flanks and hub lie on the propeller, holes and rim on the bell. Blade 1 is the
    mark; the others follow in the direction of rotation. Flanks are 20 degrees before and behind the middle of each blade.
    Raises UsageError.
    """
    found = []
    for text in texts:
        match = _FORM.fullmatch(text.strip().lower())
        if match is None:
            raise UsageError(f"place is {text!r}; write blades@45, flanks@20, hub@6, holes6@9, rim@14 or 30+150@12, the radius in mm")
        kind, radius, off = match[1].rstrip("0123456789"), float(match["radius"]), bool(match["off"])
        if kind in ("blades", "flanks") and not blades:
            raise UsageError(f"place is {text!r}; give the number of blades too, with --blades or in the craft's description")
        plane = BELL if kind in ("rim", "holes") else PROPELLER
        found += [Spot(name, angle, radius, plane, off) for name, angle in _named(match[1], kind, blades or 0)]
    return tuple(found)


def _named(text: str, kind: str, blades: int) -> Iterator[tuple[str, float]]:
    if kind == "blades":
        yield from ((f"blade {n + 1}", 360 * n / blades) for n in range(blades))
    elif kind == "flanks":
        for n in range(blades):
            yield f"trailing flank of blade {n + 1}", (360 * n / blades - 20) % 360
            yield f"leading flank of blade {n + 1}", 360 * n / blades + 20
    elif kind == "holes":
        count = int(text[5:])
        yield from ((f"hole {n + 1}", 360 * n / count) for n in range(count))
    elif kind in RING:
        step = 360.0 / RING[kind]
        yield from ((f"{kind} at {step * n:g}°", step * n) for n in range(RING[kind]))
    else:
        yield from ((f"{float(angle):g}°", float(angle)) for angle in text.split("+"))


def choose(wanted: complex, spots: Sequence[Spot], stock: Stock) -> Choice:
    """Choose one or two places and masses that can be made, so that least remains of the wanted unbalance (g mm).

    Of choices that leave as little to within 2 % of what was wanted, the one with fewest weights and least mass is taken.
    Raises UsageError when there is no place.
    """
    if not spots:
        raise UsageError("no place is allowed; name at least one, such as blades@45")
    found = [Choice((), wanted)]
    for spot in spots:
        found += [Choice((Weight(spot, mass),), wanted - mass * spot.arm) for mass in _masses(_along(wanted, spot), spot, stock) if mass]
    found += [pair for spot, other in combinations(spots, 2) for pair in _pairs(wanted, spot, other, stock)]
    least = min(abs(choice.remaining) for choice in found) + FEWER * abs(wanted)
    good = [choice for choice in found if abs(choice.remaining) <= least]
    return min(good, key=lambda choice: (len(choice.weights), sum(abs(weight.mass_g) for weight in choice.weights)))


def _along(wanted: complex, spot: Spot) -> float:
    """Mass that leaves least, g."""
    return (wanted * spot.arm.conjugate()).real / abs(spot.arm) ** 2


def _masses(mass_g: float, spot: Spot, stock: Stock) -> list[float]:
    """What can be put here near this mass: nothing where it has the wrong sign."""
    sign = -1 if spot.removes else 1
    return [sign * made for made in stock.near(max(sign * mass_g, 0.0))]


def _pairs(wanted: complex, spot: Spot, other: Spot, stock: Stock) -> Iterator[Choice]:
    one, two = spot.arm, other.arm
    across = (one.conjugate() * two).imag
    if abs(across) < 1e-6 * abs(one) * abs(two):
        return
    first, second = (wanted * two.conjugate()).imag / -across, (wanted * one.conjugate()).imag / across
    for a in filter(None, _masses(first, spot, stock)):
        for b in filter(None, _masses(second, other, stock)):
            yield Choice((Weight(spot, a), Weight(other, b)), wanted - a * one - b * two)


@lru_cache(maxsize=64)
def three_directions(spots: tuple[Spot, ...]) -> tuple[Spot, ...]:
    """Choose three places well spread round the rotor, all at one radius where that is possible, the largest such; () when none will do.

    Places on two blades alone lie on one line: they leave a mirror image.
    """
    adding = [spot for spot in spots if not spot.removes]
    groups = [[s for s in adding if s.radius_mm == radius] for radius in sorted({s.radius_mm for s in adding}, reverse=True)]
    for group in (*groups, adding):
        best = max(combinations(group, 3), key=_spread, default=())
        if best and _spread(best) > ALIKE:
            return best
    return ()


def _spread(spots: Sequence[Spot]) -> float:
    turn = np.radians([spot.angle_deg for spot in spots])
    return float(np.linalg.svd(np.column_stack([np.ones(len(spots)), np.cos(turn), np.sin(turn)]), compute_uv=False)[-1])
