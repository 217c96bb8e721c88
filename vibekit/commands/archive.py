"""`vibekit archive`: list, show, remove, check, export, import or remake what is kept."""

import argparse
import json
import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibekit.commands.asking import print_table
from vibekit.commands.measuring import progress
from vibekit.errors import UnreadableError, UsageError, VibekitError
from vibekit.moment import local

if TYPE_CHECKING:
    from vibekit.archive import Archive
    from vibekit.capture.waiting import Waiting
    from vibekit.exchange import Moved
    from vibekit.kept import KeptReading
    from vibekit.reading import Reading

TOLD = 12  # differences of a reading on the screen: another version may change most of its numbers
SHORT = 8  # characters of an id that are shown; any beginning that only one has will do


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the verbs of `archive`."""
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)

    def verb(name: str, text: str) -> argparse.ArgumentParser:
        added = verbs.add_parser(name, help=text, description=text)
        added.add_argument("--json", action="store_true", help="print one object instead of words")
        return added

    verb("list", "the crafts, or the readings of one").add_argument("craft", metavar="CRAFT", nargs="?", help="name of a craft")
    verb("show", "one craft or one reading in full").add_argument(
        "what", metavar="CRAFT|READING", help="name of a craft, or id of a reading"
    )
    remove = verb("remove", "take out readings, or work noted on parts, such as what was kept for the wrong motor; recordings stay")
    remove.add_argument("ids", metavar="ID", nargs="+", help="id, or how it begins, as `vibekit archive show CRAFT` gives it")
    check = verb("check", "hash every file again, follow every reference, open every reading; status 1 when something is wrong")
    check.add_argument("--tidy", action="store_true", help="remove files that belong to nothing and are older than an hour")
    export = verb("export", "write crafts with their recordings to one new zip file")
    export.add_argument("file", metavar="FILE.zip")
    export.add_argument("crafts", metavar="CRAFT", nargs="*", help="names of crafts; all when none is given")
    verb("import", "take in such a file; what is there already stays as it is").add_argument("file", metavar="FILE.zip")
    remake = verb("remake", "analyse kept recordings again with their kept settings, and say which numbers differ")
    remake.add_argument("craft", metavar="CRAFT", nargs="?", help="name of a craft; all when not given")
    remake.add_argument("--dask", metavar="ADDRESS", help="spread the work over the workers of a Dask cluster, by its scheduler's address")
    remake.add_argument("--keep", action="store_true", help="put the new numbers in the place of the old ones")


def run(args: argparse.Namespace) -> int:
    """Do what the verb says."""
    from vibekit.archive import Archive
    from vibekit.place import find_place

    if args.verb == "import" and not Path(args.file).is_file():
        raise UnreadableError(f"{args.file}: no such file; give one that `vibekit archive export` wrote")
    with Archive(find_place(), create=args.verb == "import") as archive:
        return VERBS[args.verb](archive, args)


def _list(archive: "Archive", args: argparse.Namespace) -> int:
    from vibekit.capture.waiting import waiting

    takes = [take for take in waiting(archive.place.takes) if args.craft in (None, take.about.get("craft"))]
    told = [asdict(take) | {"path": str(take.path), "started": take.started.isoformat()} for take in takes]
    if args.craft is not None:
        archive.craft(args.craft)
        kept = archive.readings(args.craft)
        if args.json:
            return _print("vibekit.readings/1", craft=args.craft, readings=[_brief(one) for one in kept], takes=told)
        print_table(
            ("reading", "position", "test", "speed", "recorded", "file", "set-up"), map(_row, kept), f"{args.craft}: {len(kept)} readings"
        )
        _print_takes(takes)
        return 0
    crafts = archive.crafts()
    if args.json:
        return _print(
            "vibekit.crafts/1",
            archive=archive.place.shown,
            files=str(archive.place.files),
            crafts=[asdict(craft) | {"last": craft.last.isoformat()} for craft in crafts],
            takes=told,
        )
    rows = [(c.name, c.owner, c.job, c.rotors, c.readings, c.inspections, c.actions, local(c.last)) for c in crafts]
    print_table(("craft", "owner", "job", "rotors", "readings", "checks by hand", "work on parts", "last kept"), rows, archive.place.shown)
    _print_takes(takes)
    return 0


def _print_takes(takes: "list[Waiting]") -> None:
    """What was recorded here and is in no archive yet; a line each, so that the name of its file stays whole."""
    if takes:
        print("Recordings that wait here:")
    for take in takes:
        of = ", ".join(filter(None, map(take.about.get, ("craft", "position", "test")))) or "of no craft"
        print(f"  {of}: {take.state}, {take.seconds:.1f} s from {local(take.started)}, {take.path}")
    if any(take.state == "cut off" for take in takes):
        print("`vibekit record --recover` makes files of those that were cut off")


def _show(archive: "Archive", args: argparse.Namespace) -> int:
    if args.what in {craft.name for craft in archive.crafts()}:
        return _show_craft(archive, args)
    try:
        one = archive.reading(args.what)
    except UsageError as error:
        known = ", ".join(craft.name for craft in archive.crafts()) or "none"
        raise UsageError(f"{error}; of crafts it knows {known}") from None
    if args.json:
        from vibekit.packing import pack

        return _print(
            "vibekit.kept-reading/1", **_brief(one), stored=str(one.stored), reading=pack(one.reading), diagnosis=pack(one.diagnosis)
        )
    reading = one.reading
    print(f"{one.craft}, {one.position}: {one.name}, {_test(one)}, {_speed(reading)}")
    print(f"  {_recorded(one)}; {reading.duration_s:.1f} s at {reading.rate_hz:g} Hz; set-up: {one.setup or 'not stated'}")
    print(f"  analysed by vibekit {reading.engine}; kept at {one.stored}")
    for problem in reading.screening.problems:
        print(f"  {problem.severity}: {problem.detail}")
    from vibekit.quantity_list import hidden_words, quantity_rows
    from vibekit.wording import line_words

    if reading.orders:
        lines = [(f"{o.order:.4g}", o.name, line_words(o), f"{o.floor:.2g}") for o in reading.orders]
        print_table(("order", "what", "amplitude", "noise"), lines)
    if reading.quantities:
        print_table(("quantity", "value"), quantity_rows(reading))
    if hidden := hidden_words(reading):
        print(hidden)
    return 0


def _show_craft(archive: "Archive", args: argparse.Namespace) -> int:
    name = args.what
    inspections, actions = archive.inspections(name), archive.actions(name)
    if args.json:
        return _print(
            "vibekit.kept-craft/1",
            name=name,
            description=archive.description(name),
            readings=[_brief(one) for one in archive.readings(name)],
            inspections=[asdict(one) | {"at": one.at.isoformat()} for one in inspections],
            actions=[asdict(one) | {"done_at": one.done_at.isoformat()} for one in actions],
        )
    print(archive.description(name).rstrip())
    for inspection in inspections:
        answers = [(a.position or "craft", a.question, a.answer, a.note, len(a.photos) or None) for a in inspection.answers]
        print_table(("position", "question", "answer", "note", "photos"), answers, f"Checked by eye and hand, {local(inspection.at)}")
    if actions:
        rows = [(a.id[:SHORT], local(a.done_at), a.position, a.part, a.did, a.fitted, a.note) for a in actions]
        print_table(("work", "when", "position", "part", "done", "with", "note"), rows, "Work on parts")
    print_table(("reading", "position", "test", "speed", "recorded", "file", "set-up"), map(_row, archive.readings(name)), "Readings")
    return 0


def _remove(archive: "Archive", args: argparse.Namespace) -> int:
    ids = [archive.whole_id(start) for start in args.ids]
    archive.take_back(dict.fromkeys(ids))
    if args.json:
        return _print("vibekit.removed/1", removed=ids)
    print(f"removed: {', '.join(id[:SHORT] for id in ids)}; `vibekit add` takes a recording in again, at its right place")
    return 0


def _check(archive: "Archive", args: argparse.Namespace) -> int:
    from vibekit.checking import check, tidy

    found = check(archive, progress)
    gone = tidy(found) if args.tidy else ()
    left = [str(path) for path in found.leftovers if path not in gone]
    if args.json:
        fields = {
            "files": found.files,
            "rows": found.rows,
            "problems": found.problems,
            "leftovers": left,
            "removed": [str(path) for path in gone],
        }
        _print("vibekit.check/1", clean=not found.problems, database=found.schema, **fields)
        return 1 if found.problems else 0
    for problem in found.problems:
        print(f"wrong: {problem}")
    for path in gone:
        print(f"removed: {path}")
    if left:
        print(f"left over, harmless, from something interrupted: {len(left)} file(s); --tidy removes those older than an hour")
    state = f"{len(found.problems)} thing(s) wrong" if found.problems else "clean"
    print(f"{archive.place.shown}: {state}; {found.files} files hashed, {sum(found.rows.values())} rows, schema {found.schema}")
    return 1 if found.problems else 0


def _export(archive: "Archive", args: argparse.Namespace) -> int:
    from vibekit.exchange import take_out

    moved = take_out(archive, Path(args.file), args.crafts, progress)
    if args.json:
        return _print("vibekit.export/1", file=args.file, rows=moved.rows, files=moved.files)
    print(f"{args.file}: {_counts(moved)}")
    return 0


def _counts(moved: "Moved") -> str:
    return f"crafts {moved.rows['craft']}, readings {moved.rows['reading']}, files {moved.files}"


def _import(archive: "Archive", args: argparse.Namespace) -> int:
    from vibekit.exchange import take_in

    moved = take_in(archive, Path(args.file), progress)
    if args.json:
        return _print("vibekit.import/1", file=args.file, rows=moved.rows, files=moved.files, known=moved.known)
    print(f"{args.file}: new: {_counts(moved)}{'; what was here already stays as it is' if moved.known else ''}")
    return 0


def _remake(archive: "Archive", args: argparse.Namespace) -> int:
    from vibekit.commands.remaking import made_again
    from vibekit.remake import differences

    if args.craft is not None:
        archive.craft(args.craft)
    outcomes: list[dict[str, Any]] = []
    for one, again in made_again(archive, archive.reading_ids(args.craft), args.dask):
        outcome = {"id": one.id, "position": one.position, "file": one.name}
        if isinstance(again, VibekitError):
            outcomes.append(outcome | {"state": "lost", "differences": [str(again)]})
            continue
        differ = list(differences(one.reading, again))
        if differ and args.keep:
            archive.remade(one.id, again)
        outcomes.append(outcome | {"state": "changed" if differ else "same", "differences": differ})
    if args.json:
        _print("vibekit.remake/1", kept=args.keep, readings=outcomes)
    else:
        for outcome in outcomes:
            print(f"{outcome['id'][:SHORT]} {outcome['position']}, {outcome['file']}: {outcome['state']}")
            for line in outcome["differences"][:TOLD]:
                print(f"  {line}")
            if (more := len(outcome["differences"]) - TOLD) > 0:
                print(f"  and {more} more; --json has them all")
        if not args.keep and any(outcome["state"] == "changed" for outcome in outcomes):
            print("The archive holds the old numbers still; with --keep it takes the new ones.")
    return 1 if any(outcome["state"] == "lost" for outcome in outcomes) else 0


def _brief(one: "KeptReading") -> dict[str, Any]:
    rpm = one.reading.speed.rpm
    return {
        "id": one.id,
        "craft": one.craft,
        "position": one.position,
        "test": one.settings.test,
        "rpm": rpm if rpm is not None and math.isfinite(rpm) else None,
        "file": one.name,
        "sha256": one.recording,
        "setup": one.setup,
        "engine": one.reading.engine,
        "taken_at": one.taken_at.isoformat() if one.taken_at else None,
        "added_at": one.added_at.isoformat(),
    }


def _row(one: "KeptReading") -> tuple[object, ...]:
    return one.id[:SHORT], one.position, _test(one), _speed(one.reading), _recorded(one), one.name, one.setup


def _test(one: "KeptReading") -> str:
    return one.settings.test or "not stated"


def _recorded(one: "KeptReading") -> str:
    return local(one.taken_at) if one.taken_at else f"added {local(one.added_at)}"


def _speed(reading: "Reading") -> str:
    return "not found" if reading.speed.rpm is None else f"{reading.speed.rpm:.1f} rpm"


def _print(schema: str, **fields: object) -> int:
    print(json.dumps({"schema": schema, **fields}, indent=1, ensure_ascii=False, allow_nan=False))
    return 0


VERBS: dict[str, Callable[["Archive", argparse.Namespace], int]] = {
    "list": _list,
    "show": _show,
    "remove": _remove,
    "check": _check,
    "export": _export,
    "import": _import,
    "remake": _remake,
}
