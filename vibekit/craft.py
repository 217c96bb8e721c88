"""What a craft is: rotors in running order, each with its motor and its propeller. Everything may be left out."""

from dataclasses import dataclass, field
from typing import Any, Literal, get_args

from vibekit.bearing import Bearing
from vibekit.bearing_size import BearingSize, bearing_size
from vibekit.errors import UsageError
from vibekit.fact import check_facts, fact, facts
from vibekit.settings import Settings, Test, feels_propeller
from vibekit.turning import WAYS, Turned, Way

Hand = Literal["clockwise", "counter-clockwise"]
Thread = Literal["right-hand", "left-hand"]
Kind = Literal["brushless", "brushed"]
NO_ROTORS = 'write into its description a line [[rotor]] for each and, below it, a line such as position = "north-east"'


@dataclass(frozen=True, slots=True)
class MotorBearing:
    """One of a motor's bearings: by size, by geometry, or both.

    size: name ("MR63", "683ZZ") or bore x outer x width in mm ("3x7x3"); says nothing of the balls
    balls, ball_mm, pitch_mm, angle_deg: as in vibekit.bearing.Bearing; no angle is taken as 0
    """

    size: str | None = fact(str, "Size, by name (MR63, 683ZZ) or bore x outer x width in mm (3x7x3)")
    balls: int | None = fact(int, "Number of balls", low=4, high=40)
    ball_mm: float | None = fact(float, "Ball diameter in mm", low=0.1, high=50)
    pitch_mm: float | None = fact(float, "Pitch diameter in mm", low=0.5, high=500)
    angle_deg: float | None = fact(float, "Contact angle in degrees", low=0, high=89)

    def __post_init__(self) -> None:
        check_facts(self)
        geometry, boundary = self.geometry, self.boundary
        if geometry and boundary and not boundary.bore_mm + geometry.ball_mm <= geometry.pitch_mm <= boundary.outer_mm - geometry.ball_mm:
            raise UsageError(
                f"pitch_mm is {geometry.pitch_mm:g} with balls of {geometry.ball_mm:g} mm; "
                f"they do not fit between bore {boundary.bore_mm:g} and outer diameter {boundary.outer_mm:g} mm of size {self.size!r}"
            )

    @property
    def boundary(self) -> BearingSize | None:
        """Boundary dimensions, None without a size."""
        return None if self.size is None else bearing_size(self.size)

    @property
    def geometry(self) -> Bearing | None:
        """Geometry with its defect orders; None unless balls and both diameters are known."""
        if self.balls is None or self.ball_mm is None or self.pitch_mm is None:
            return None
        return Bearing(self.balls, self.ball_mm, self.pitch_mm, self.angle_deg or 0.0)


@dataclass(frozen=True, slots=True)
class Motor:
    """One motor. `bearings`: none to two, the one nearest the propeller first."""

    name: str | None = fact(str, "Motor: maker's name for it")
    serial: str | None = fact(str, "Motor: serial number")
    kind: Kind | None = fact(str, "Motor: brushless or brushed", choices=get_args(Kind))  # noqa: RUF009
    geared: bool | None = fact(bool, "Motor: does a gear stand between motor and propeller")
    poles: int | None = fact(int, "Motor: number of magnets (poles), counted around the bell", "electrical lines cannot be looked for",
                             low=2, high=100, even=True)  # fmt: skip
    slots: int | None = fact(int, "Motor: number of winding teeth (slots)", "cogging cannot be told from other lines", low=2, high=120)
    screw_mm: float | None = fact(float, "Motor: length of its mounting screws in mm", "only the eye tells whether one reaches the winding",
                                  low=1, high=60)  # fmt: skip
    screw_room_mm: float | None = fact(float, "Motor: longest screw that the maker allows in this arm, in mm", low=1, high=60)
    bearings: tuple[MotorBearing, ...] = ()

    def __post_init__(self) -> None:
        check_facts(self)
        if len(self.bearings) > 2:
            raise UsageError(f"bearings has {len(self.bearings)} entries; a motor has two at most, the one nearest the propeller first")

    @property
    def screw_too_long(self) -> bool:
        """A mounting screw is longer than the maker allows: it may touch the winding."""
        return self.screw_mm is not None and self.screw_room_mm is not None and self.screw_mm > self.screw_room_mm


@dataclass(frozen=True, slots=True)
class Propeller:
    """One propeller."""

    name: str | None = fact(str, "Propeller: maker's name for it")
    serial: str | None = fact(str, "Propeller: serial number or mark")
    blades: int | None = fact(int, "Propeller: number of blades", "blade pass cannot be told from other orders", low=1, high=12)
    diameter_mm: float | None = fact(float, "Propeller: diameter in mm", "tip speed cannot be worked out", low=10, high=3000)
    mass_g: float | None = fact(float, "Propeller: mass in g", "the unbalance that it may have cannot be worked out", low=0.05, high=5000)
    folding: bool | None = fact(bool, "Propeller: does it fold")
    ducted: bool | None = fact(bool, "Propeller: does it run in a duct", "a tip that touches its duct is not looked for")
    nut: Thread | None = fact(str, "Propeller: thread of its nut", choices=get_args(Thread))  # noqa: RUF009

    def __post_init__(self) -> None:
        check_facts(self)


@dataclass(frozen=True, slots=True)
class Rotor:
    """One rotor: motor and propeller at one place.

    position: the owner's name for its arm; hand: seen from above; coaxial_with: position of the other rotor on the same arm
    """

    position: str
    hand: Hand | None = fact(  # noqa: RUF009
        str, "Turns, seen from above", "only the eye can say whether the right propeller sits here", choices=get_args(Hand)
    )
    coaxial_with: str | None = fact(str, "Shares its arm with the rotor (coaxial)")
    motor: Motor = field(default_factory=Motor)
    propeller: Propeller = field(default_factory=Propeller)

    def __post_init__(self) -> None:
        if not isinstance(self.position, str) or not self.position.strip():
            raise UsageError(f"position is {self.position!r}; it must be the owner's name for the arm, such as 'north-east'")
        check_facts(self)


@dataclass(frozen=True, slots=True)
class Craft:
    """One craft. `rotors` stand in the order in which they are run."""

    name: str | None = fact(str, "Name of the craft")
    owner: str | None = fact(str, "Owner")
    job: str | None = fact(str, "Job number")
    serial: str | None = fact(str, "Serial number of the craft")
    turned: Turned | None = fact(str, "How its motors are turned", "no plan and no cautions for power can be given", choices=tuple(WAYS))  # noqa: RUF009
    rotors: tuple[Rotor, ...] = ()

    def __post_init__(self) -> None:
        check_facts(self)
        for rotor in self.rotors:
            if self.positions.count(rotor.position) > 1:
                raise UsageError(f"position {rotor.position!r} is given twice; each rotor has a name of its own")
            if rotor.coaxial_with is not None and rotor.coaxial_with not in set(self.positions) - {rotor.position}:
                raise UsageError(f"coaxial_with of {rotor.position!r} is {rotor.coaxial_with!r}; it must be the position of another rotor")

    @property
    def positions(self) -> tuple[str, ...]:
        """The owner's names for the rotors, in running order."""
        return tuple(rotor.position for rotor in self.rotors)

    @property
    def way(self) -> Way | None:
        """How the motors are turned, with its cautions and test plan; None when not known."""
        return None if self.turned is None else WAYS[self.turned]

    def rotor(self, position: str) -> Rotor:
        """Give the rotor at a position. Raises UsageError."""
        found = next((rotor for rotor in self.rotors if rotor.position == position), None)
        if found is None:
            craft = self.name or "this craft"
            if not self.rotors:
                raise UsageError(f"position is {position!r}; {craft} has no rotors yet: {NO_ROTORS}")
            raise UsageError(f"position is {position!r}; {craft} has {', '.join(self.positions)}")
        return found

    def check_swap(self, first: str, second: str, part: str = "propeller") -> None:
        """See that a part of two rotors can change places. Raises UsageError."""
        one = self.rotor(first)
        if second not in set(self.positions) - {first}:
            others = ", ".join(position for position in self.positions if position != first)
            raise UsageError(f"{second!r} is no rotor that the {part} of {first} can be swapped with; the others are {others or 'none'}")
        hands = one.hand, self.rotor(second).hand
        if part == "propeller" and None not in hands and hands[0] != hands[1]:
            raise UsageError(
                f"{first} turns {hands[0]} and {second} {hands[1]}; only propellers of rotors that turn the same way change places"
            )


def settings_for(craft: Craft, position: str, test: Test | None) -> Settings:
    """Give what the description says about a recording at this rotor. Raises UsageError when there is no such position.

    Blades count only where a propeller may be on. Behind a gear the motor's own orders are multiples of another shaft's speed, so magnets,
    slots and bearings are left out unless the motor runs bare.
    """
    rotor = craft.rotor(position)
    motor = rotor.motor
    own = not motor.geared or not feels_propeller(test)
    brushless = own and motor.kind != "brushed"
    return Settings(
        test=test,
        blades=rotor.propeller.blades if feels_propeller(test) else None,
        poles=motor.poles if brushless else None,
        slots=motor.slots if own else None,
        bearings=tuple(dict.fromkeys(b.geometry for b in motor.bearings if b.geometry)) if own else (),
    )


def missing(craft: Craft) -> tuple[str, ...]:
    """Say what is not known and what that leaves open, one sentence each; rotors that lack the same are named together."""
    lacks: dict[str, list[str]] = {}
    for rotor in craft.rotors:
        for text in _missing_at(rotor):
            lacks.setdefault(text, []).append(rotor.position)
    whole = [] if craft.rotors else ["rotors: none described, so readings cannot be told apart by position"]
    whole += _open(craft)
    return (*whole, *(f"{'all rotors' if len(at) == len(craft.rotors) > 1 else ', '.join(at)}: {text}" for text, at in lacks.items()))


def _missing_at(rotor: Rotor) -> list[str]:
    motor = rotor.motor
    no_magnets_outside = motor.kind == "brushed"
    texts = _open(rotor) + [text for text in _open(motor) if not (no_magnets_outside and text.startswith(("poles", "slots")))]
    known = sum(bearing.geometry is not None for bearing in motor.bearings)
    if known < 2:
        sized = " (a size alone does not tell)" if any(bearing.size and not bearing.geometry for bearing in motor.bearings) else ""
        texts.append(f"bearings: balls known of {known} of 2{sized}, so a damaged race cannot be named by its defect orders")
    if motor.geared:
        texts.append("gear: the motor turns at another speed than the propeller, so its own orders count only when it runs bare")
    return texts + _open(rotor.propeller)


def _open(described: Any) -> list[str]:
    entries = facts(type(described)).items()
    return [f"{name}: not known, so {entry.opens}" for name, entry in entries if entry.opens and getattr(described, name) is None]
