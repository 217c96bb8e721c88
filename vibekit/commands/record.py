"""`vibekit record`: a guided test recorded here, screened at once, judged and kept."""

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit.commands.asking import EndedError, ask, find_craft, say
from vibekit.commands.keeping import Judged, Shelf, add_words, completed, keep_file
from vibekit.commands.options import add_settings_options, parse_length, settings_from
from vibekit.commands.sources import add_source_options, choose_source, list_sources
from vibekit.craft import NO_ROTORS, Craft
from vibekit.errors import UnreadableError, UsageError, VibekitError
from vibekit.moment import local
from vibekit.settings import Settings

if TYPE_CHECKING:
    from vibekit.capture.journal import Unfinished
    from vibekit.capture.reader import Reader
    from vibekit.problem import Problem

USUAL_S = 20.0
COUNTDOWN_S = 3
SENSOR = "Sensor: the same place, fixing and gain for each motor, and as last time; say it with --setup."


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `record`."""
    parser.add_argument("craft", metavar="CRAFT", nargs="?", help="the craft's TOML file, or its name in the archive")
    parser.add_argument("position", metavar="POSITION", nargs="?", help="the rotor's name")
    parser.add_argument("--for", dest="length", metavar="20s|1min", help=f"how long (default: {USUAL_S:g}s; of each run of a round, 8s)")
    parser.add_argument(
        "--round", action="store_true", help="all rotors in one take, one after the other and twice, split by what is heard"
    )
    parser.add_argument("--file", metavar="FILE", help="split this recording of a round instead of making one")
    parser.add_argument(
        "--setup", default="", metavar="TEXT", help="sensor, its place and fixing, gain; levels compare only within one set-up"
    )
    parser.add_argument("--wait-for-motor", action="store_true", help="begin by itself when the motor starts, with the second before")
    parser.add_argument("--yes", action="store_true", help="ask nothing: the cautions are known, the bench is ready")
    parser.add_argument(
        "--countdown", metavar="S", type=int, default=COUNTDOWN_S, help="seconds counted before it starts (default: %(default)s)"
    )
    parser.add_argument("--recover", action="store_true", help="make files of recordings that were cut off")
    add_settings_options(parser)
    add_source_options(parser)


def run(args: argparse.Namespace) -> int:
    """Record, judge and keep; 1 when what was recorded cannot be judged."""
    from vibekit.commands.taking import check_way
    from vibekit.place import find_place

    folder = find_place().takes
    if args.devices:
        print("\n".join(list_sources()))
        return 0
    if args.recover:
        return _recover(folder)
    if args.craft is None:
        raise UsageError("name the CRAFT and the POSITION to record, such as: vibekit record wren-4.toml north-east --test bare")
    tell_unfinished(folder)
    description, craft = find_craft(args.craft)
    check_way(craft, settings_from(args))
    if args.round and args.position is None:
        from vibekit.commands.record_round import record_round

        return record_round(args, Shelf(craft, description, args.setup), settings_from(args), folder)
    if args.round or args.file:
        raise UsageError("--round takes all rotors of the CRAFT: leave the POSITION out; --file goes with --round only")
    if args.position is None:
        which = f"one of {', '.join(craft.positions)}" if craft.rotors else f"there is none yet; {NO_ROTORS}"
        raise UsageError(f"name the POSITION to record: {which}")
    craft.rotor(args.position)
    given = settings_from(args)
    if given.test is None:
        raise UsageError("say with --test how the motor turns: hand-spin, bare, prop or run-up")
    return _record(args, Shelf(craft, description, args.setup), given, folder)


def _record(args: argparse.Namespace, shelf: Shelf, given: Settings, folder: Path) -> int:
    from vibekit.capture.trigger import Trigger
    from vibekit.commands.show import show_craft
    from vibekit.commands.taking import is_ready, take, warn

    craft = shelf.craft
    about = {"craft": craft.name or "", "position": args.position, "test": given.test or "", "setup": args.setup}
    length_s = parse_length(args.length, "--for") if args.length else USUAL_S
    warn(craft, given)
    say(_step(craft, args.position, given, length_s), sys.stdout)
    while True:
        chosen = choose_source(args, given.sensor)
        print(f"from {chosen.words}")
        if not (args.yes or is_ready()):
            print("nothing was recorded")
            return 1
        taken = take(
            chosen.source,
            folder,
            about,
            length_s=length_s,
            trigger=Trigger() if args.wait_for_motor else None,
            countdown=args.countdown,
        )
        given = replace(given, sensor=given.sensor or chosen.source.form.sensor)
        problems = _problems(taken.path, completed(given, craft, args.position), chosen.reader)
        for problem in problems:
            say(f"- {problem.detail}", sys.stdout)
        if args.yes or not problems or not _again():
            break
        print(f"the first recording stays here: {taken.path}")
    try:
        found = keep_file(taken.path, args.position, given, chosen.reader, shelf)
    except VibekitError as error:
        raise UnreadableError(f"{error}; the recording itself stays: put that right, then {add_words(taken.path, about)}") from None
    print(_kept(found, taken.path, args.position, craft))
    show_craft({args.position: found.diagnosis}, {args.position: [found.reading]}, found.verdict)
    return 0 if found.reading.screening.usable else 1


def _step(craft: Craft, position: str, given: Settings, length_s: float) -> str:
    """What to do."""
    how = next((step.how_for(length_s) for step in craft.way.plan if step.test == given.test), "") if craft.way else ""
    return f"{position}: {how or 'let the motor reach its speed, then hold it steady.'} {SENSOR}"


def _again() -> bool:
    try:
        return ask("Record again? [y/N] ", sys.stdout).lower() in ("y", "yes")
    except EndedError:
        return False


def _problems(path: Path, settings: Settings, reader: "Reader") -> "list[Problem]":
    """What a new recording would be better without."""
    from vibekit.screening import screen

    return [problem for problem in screen(reader.read(path), settings).problems if problem.severity != "note"]


def _kept(found: Judged, path: Path, position: str, craft: Craft) -> str:
    """What became of the file; one that the archive has is not kept twice."""
    if not found.reading.screening.usable:
        return f"it cannot be judged and is not kept in the archive; the file stays here: {path}"
    for each in (path, path.with_suffix(".json")):
        each.unlink(missing_ok=True)
    return f"kept for {craft.name}, {position}, as {(found.id or '')[:8]}"


def tell_unfinished(folder: Path) -> None:
    """Print what was cut off, and how to keep it."""
    from vibekit.capture.journal import unfinished

    for each in unfinished(folder):
        print(f"vibekit: a recording was cut off: {_named(each)}; `vibekit record --recover` keeps it", file=sys.stderr)


def _named(cut_off: "Unfinished") -> str:
    what = ", ".join(filter(None, (cut_off.about.get(name, "") for name in ("craft", "position", "test"))))
    return f"{what or 'of no craft'}, {cut_off.seconds:.1f} s from {local(cut_off.started)}"


def _recover(folder: Path) -> int:
    """Finish what was cut off; keep what belongs to a craft that the archive knows."""
    from vibekit.capture.finishing import finish_journal
    from vibekit.capture.journal import unfinished
    from vibekit.commands.taking import said_of

    found = unfinished(folder)
    if not found:
        print(f"no recording was cut off; {folder}")
    for each in found:
        print(_named(each))
        try:
            taken = finish_journal(each.path)
        except VibekitError as error:
            print(f"  {error}")
            continue
        print(f"  {said_of(taken)}")
        print(f"  the file is {taken.path}; to judge and keep it: {add_words(taken.path, each.about)}")
    return 0
