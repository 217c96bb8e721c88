"""`vibekit add`: analyse recordings of one motor and keep them."""

import argparse
import json
import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibekit.capture.reader import Reader
from vibekit.commands.asking import find_craft, moment, see_order
from vibekit.commands.keeping import completed
from vibekit.commands.measuring import progress
from vibekit.commands.options import add_settings_options, settings_each
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.craft import Craft, settings_for
from vibekit.kept import NewReading, done_to
from vibekit.packing import pack
from vibekit.result import finite
from vibekit.settings import Settings

if TYPE_CHECKING:
    from vibekit.archive import Archive


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `add`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's TOML file, or its name in the archive")
    parser.add_argument("position", metavar="POSITION", help="the rotor's name")
    parser.add_argument("files", metavar="FILE", nargs="+", help="recordings of this rotor")
    parser.add_argument("--setup", default="", metavar="TEXT",
                        help="sensor, its place and fixing, gain; levels are compared only within one set-up")  # fmt: skip
    parser.add_argument("--when", metavar="DATE", help="when they were recorded, where the files do not say, such as 2026-03-01T14:30")
    parser.add_argument("--replace", action="store_true", help="a recording kept already is analysed again with these options")
    parser.add_argument("--json", action="store_true", help="print what was kept as one object")
    add_settings_options(parser)
    add_reader_options(parser)


def run(args: argparse.Namespace) -> int:
    """Analyse all files first, then keep those that could be judged; 1 when one could not."""
    from vibekit.archive import Archive
    from vibekit.place import find_place
    from vibekit.verdict_keeping import add_readings

    description, craft = find_craft(args.craft)
    craft.rotor(args.position)
    when = moment(args.when) if args.when else None
    given = settings_each(args, len(args.files))
    settings = [completed(one, craft, args.position) for one in given]
    _tell_overruled(given[0], craft, args.position)
    new = _measured(args, settings, reader_from(args), when)
    fit = [item for item in new if item.reading.screening.usable]
    ids: list[str | None] = []
    if fit:
        with Archive(find_place()) as archive:
            if when in [item.taken_at for item in fit]:
                done = [action.done_at for action in done_to(archive.actions(craft.name or ""), args.position)]
                see_order(args.when, done, f"work on {args.position} was noted")
            if description is not None:
                archive.put_craft(description, craft)
            ids = add_readings(archive, craft, fit, replace=args.replace)
            _tell_elsewhere(archive, craft, fit)
    landed = iter(ids)
    outcomes = [_outcome(item, next(landed) if item.reading.screening.usable else None) for item in new]
    if args.json:
        print(
            json.dumps(
                {"schema": "vibekit.added/1", "craft": craft.name, "position": args.position, "files": outcomes}, indent=1, allow_nan=False
            )
        )
    else:
        for item, outcome in zip(new, outcomes, strict=True):
            _tell(item, outcome)
    return 0 if len(fit) == len(new) else 1


def _measured(args: argparse.Namespace, settings: list[Settings], reader: Reader, when: datetime | None) -> list[NewReading]:
    from vibekit.analysis import analyze

    new = []
    for path, stated in progress(list(zip(args.files, settings, strict=True)), "analysing"):
        recording = reader.read(path)
        start = recording.start.astimezone() if recording.start else when
        new.append(NewReading(args.position, Path(path), analyze(recording, stated), args.setup, pack(reader), start))
    return new


def _tell_overruled(given: Settings, craft: Craft, position: str) -> None:
    described = settings_for(craft, position, given.test)
    for name in ("blades", "poles", "slots", "bearings"):
        here, there = getattr(given, name), getattr(described, name)
        if here and there and here != there:
            print(
                f"vibekit: --{name.removesuffix('s') if name == 'bearings' else name} is not as described; what was typed counts",
                file=sys.stderr,
            )


def _tell_elsewhere(archive: "Archive", craft: Craft, kept: list[NewReading]) -> None:
    for item in kept:
        for name, position in archive.kept_at(item.reading.sha256):
            if (name, position) != (craft.name, item.position):
                print(
                    f"vibekit: {item.file}: the same recording is kept for {name}, {position}; see that it is the right file, and take "
                    "out the wrong one with `vibekit archive remove`",
                    file=sys.stderr,
                )


def _outcome(item: NewReading, id: str | None) -> dict[str, Any]:
    reading = item.reading
    return {
        "file": reading.file,
        "sha256": reading.sha256,
        "state": ("kept" if id else "known already") if reading.screening.usable else "not kept: cannot be judged",
        "id": id,
        "rpm": finite(reading.speed.rpm),
        "rpm_u95": finite(reading.speed.rpm_u95),
        "problems": [{"code": p.code, "severity": p.severity, "detail": p.detail} for p in reading.screening.problems],
    }


def _tell(item: NewReading, outcome: dict[str, Any]) -> None:
    speed = item.reading.speed
    margin = "" if speed.rpm_u95 is None else f" ± {speed.rpm_u95:.2g}"
    turns = "speed not found" if speed.rpm is None else f"{speed.rpm:.1f}{margin} rpm ({speed.method})"
    name = f" as {outcome['id'][:8]}" if outcome["id"] else ""
    known = outcome["state"] == "known already"
    changed = ", nothing was changed; analysed now:" if known else ";"  # what is kept may say another speed and test
    print(f"{item.file.name}: {outcome['state']}{name}{changed} {item.reading.settings.test or 'test not stated'}, {turns}")
    for line in item.reading.log:
        print(f"  as read: {line}")
    for problem in item.reading.screening.problems:
        print(f"  {problem.severity}: {problem.detail}")
    if known:
        print("  with --replace this takes the place of what is kept")
