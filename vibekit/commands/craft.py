"""`vibekit craft`: describe a craft by answering questions, or look at a description."""

import argparse
import json
import sys
from collections.abc import Iterable
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, TextIO, TypeVar

from vibekit.commands.asking import EndedError, ask, find_craft, print_table, say
from vibekit.craft import Craft, Motor, MotorBearing, Propeller, Rotor, missing
from vibekit.craft_file import craft_text
from vibekit.errors import UnreadableError, UsageError
from vibekit.fact import Fact, facts
from vibekit.turning import ADVICE, HANDS, WAYS

T = TypeVar("T", Motor, MotorBearing, Propeller)
Part = TypeVar("Part", Motor, Propeller)


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `craft`."""
    parser.add_argument(
        "craft", metavar="CRAFT.toml", help="a new file, to be asked for; or one that exists, or a craft in the archive, to look at"
    )
    parser.add_argument("--json", action="store_true", help="print the description as one object instead of words")


def run(args: argparse.Namespace) -> int:
    """Ask for a new description and write it, or show the one that is there."""
    path = Path(args.craft)
    if path.suffix.lower() != ".toml" or path.exists():
        craft = find_craft(args.craft)[1]
    else:
        if not path.absolute().parent.is_dir():
            raise UsageError(f"{path}: there is no folder {str(path.parent)!r}; make it first")
        craft = _converse(path, sys.stderr if args.json else sys.stdout)
    if args.json:
        print(
            json.dumps({"schema": "vibekit.description/1", "craft": asdict(craft), "missing": missing(craft)}, indent=1, ensure_ascii=False)
        )
    else:
        _show(craft)
    return 0


def _converse(path: Path, out: TextIO) -> Craft:
    print("Every answer may be left empty: press Enter. Ctrl-C ends without writing; the file can be changed by hand later.\n", file=out)
    talk = _Talk(out)
    try:
        given = {name: talk.fact(name, entry) for name, entry in facts(Craft).items()}
        rotors = talk.rotors()
    except KeyboardInterrupt:
        raise UsageError(f"stopped; {path} was not written") from None
    given["name"] = given["name"] or path.stem
    craft = Craft(**given, rotors=rotors)
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(craft_text(craft))
    except OSError as error:
        raise UnreadableError(f"{path}: {error.strerror or error}") from None
    print(f"\nWritten: {path}\n", file=out)
    return craft


class _Talk:
    """Asks for facts; once the input has ended, every further answer is empty."""

    def __init__(self, out: TextIO) -> None:
        self.out = out
        self.ended = False

    def line(self, prompt: str) -> str:
        if self.ended:
            return ""
        try:
            return ask(f"{prompt}: ", self.out)
        except EndedError:
            if sys.stdin.closed or not sys.stdin.isatty():
                self.ended = True
                return ""
            raise KeyboardInterrupt from None

    def fact(self, name: str, entry: Fact) -> Any:
        numbered = ", ".join(f"{number} {choice}" for number, choice in enumerate(entry.choices, 1))
        choices = f" [{numbered}]" if numbered else " [yes, no]" if entry.kind is bool else ""
        while True:
            text = self.line(f"{entry.question}{choices}")
            if not text:
                return None
            try:
                return entry.read(name, text)
            except UsageError as error:
                print(f"  {error}", file=self.out)

    def described(self, kind: type[T], without: str = "") -> T:
        while True:
            given = {name: self.fact(name, entry) for name, entry in facts(kind).items() if name != without}
            try:
                return kind(**given)
            except UsageError as error:  # entries that do not fit each other
                print(f"  {error}", file=self.out)

    def yes(self, question: str, unless_said: bool) -> bool:
        answer = self.fact("answer", Fact(bool, f"\n{question}? Enter for {'yes' if unless_said else 'no'}"))
        return unless_said if answer is None else bool(answer)

    def rotors(self) -> tuple[Rotor, ...]:
        positions = self.positions()
        if not positions:
            return ()
        several = len(positions) > 1
        left_out = "serial" if several else ""  # asked of each
        motor = self.motor(left_out) if not several or self.yes("Are all motors of one kind", True) else None
        propeller = self.described(Propeller, left_out) if not several or self.yes("Are all propellers of one kind", True) else None
        coaxial = several and self.yes("Do any rotors share an arm (coaxial)", False)
        return tuple(self.rotor(position, positions, motor, propeller, coaxial) for position in positions)

    def positions(self) -> list[str]:
        while True:
            text = self.line("Names of the rotors in running order, with commas, such as north-east, south-east, south-west, north-west")
            names = [name.strip() for name in text.split(",") if name.strip()]
            if len(names) == 1 and names[0].isdecimal():
                print("  their names are wanted, not how many there are; a lone rotor needs a name with a letter", file=self.out)
            elif len(set(names)) == len(names):
                return names
            else:
                print("  each rotor has a name of its own", file=self.out)

    def rotor(self, position: str, positions: list[str], motor: Motor | None, propeller: Propeller | None, coaxial: bool) -> Rotor:
        if len(positions) > 1:
            print(f"\n{position}", file=self.out)
        others = tuple(name for name in positions if name != position)
        hand = self.fact("hand", facts(Rotor)["hand"])
        with_other = self.fact("coaxial_with", Fact(str, "Shares its arm with", choices=others)) if coaxial else None
        motor = self.motor() if motor is None else self.own(motor, len(positions))
        propeller = self.described(Propeller) if propeller is None else self.own(propeller, len(positions))
        return Rotor(position, hand, with_other, motor, propeller)

    def own(self, part: Part, count: int) -> Part:
        return part if count == 1 else replace(part, serial=self.fact("serial", facts(type(part))["serial"]))

    def motor(self, without: str = "") -> Motor:
        motor = self.described(Motor, without)
        bearings = [self.bearing("nearest the propeller"), self.bearing("farther from it")]
        while bearings and bearings[-1] == MotorBearing():
            bearings.pop()
        return replace(motor, bearings=tuple(bearings))

    def bearing(self, which: str) -> MotorBearing:
        print(f"Motor: bearing {which}", file=self.out)
        entries = facts(MotorBearing)
        while True:
            try:
                size = MotorBearing(self.fact("size", entries["size"]))
                balls = self.fact("balls", entries["balls"])
                rest = ("ball_mm", "pitch_mm", "angle_deg") if balls else ()
                return replace(size, balls=balls, **{name: self.fact(name, entries[name]) for name in rest})
            except UsageError as error:
                print(f"  {error}", file=self.out)


def _show(craft: Craft) -> None:
    print(craft.name)
    for name, entry in facts(Craft).items():
        if name != "name" and getattr(craft, name) is not None:
            print(f"  {entry.question.lower()}: {getattr(craft, name)}")
    if craft.rotors:
        columns = ("position", "turns", "motor", "magnets", "slots", "bearings", "propeller", "blades")
        rows = [_row(rotor) for rotor in craft.rotors]
        known = [n for n in range(len(columns)) if any(row[n] not in (None, "") for row in rows)]
        print_table([columns[n] for n in known], [[row[n] for n in known] for row in rows])
    _list("Cautions", (*(craft.way.cautions if craft.way else HANDS), ADVICE))
    if craft.way:
        for title, lines in (
            ("Test plan, one motor after another", [f"--test {step.test}: {step.how}" for step in craft.way.plan]),
            ("What this way cannot tell", craft.way.limits),
        ):
            _list(title, lines)
    if lacks := missing(craft):
        _list("Not known, so left open", lacks)
    if not craft.way:
        _list('Ways to turn the motors, for a line turned = "..." in the file', (f"{way.code}: {way.title}" for way in WAYS.values()))


def _list(title: str, lines: Iterable[str]) -> None:
    print(f"\n{title}")
    for line in lines:
        say(f"- {line}", sys.stdout, 2)


def _row(rotor: Rotor) -> tuple[object, ...]:
    motor, propeller = rotor.motor, rotor.propeller
    bearings = ", ".join(dict.fromkeys(filter(None, map(_bearing, motor.bearings))))
    kinds = [word for word in ("folding", "ducted") if getattr(propeller, word)] + (["coaxial"] if rotor.coaxial_with else [])
    names = [" ".join(word for word in (part.name, part.serial) if word) for part in (motor, propeller)]
    shown = " ".join(filter(None, (names[1], f"{propeller.diameter_mm:g} mm" if propeller.diameter_mm else "", *kinds)))
    return rotor.position, rotor.hand, names[0], motor.poles, motor.slots, bearings, shown, propeller.blades


def _bearing(bearing: MotorBearing) -> str:
    shape = bearing.geometry
    return bearing.size or (f"{shape.balls} balls {shape.ball_mm:.4g}/{shape.pitch_mm:.4g} mm" if shape else "")
