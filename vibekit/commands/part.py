"""`vibekit part`: note what was done to a part, or show what each piece of work did."""

import argparse
import json
from dataclasses import asdict

from vibekit.commands.asking import find_craft, moment, see_order
from vibekit.errors import UsageError, check_choice
from vibekit.kept import DID, FRESH, PARTS, PartAction, done_to
from vibekit.moment import local


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `part`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's TOML file, or its name in the archive")
    parser.add_argument("position", metavar="POSITION", help="the rotor's name")
    parser.add_argument("--did", metavar="|".join(DID), help="what was done; without it, what was noted before is shown, with what it did")
    parser.add_argument("--what", metavar="|".join(PARTS), help="to which part")
    parser.add_argument("--with", dest="fitted", default="", metavar="TEXT",
                        help="with what: the new part's name or serial, the balancing mass, the position it was swapped with")  # fmt: skip
    parser.add_argument("--note", default="", metavar="TEXT", help="anything else worth knowing")
    parser.add_argument("--when", metavar="DATE", help="such as 2026-03-01 or 2026-03-01T14:30; now when not given")
    parser.add_argument("--json", action="store_true", help="print what was kept as one object")


def run(args: argparse.Namespace) -> int:
    """Keep what was done, or show it."""
    if args.did is None and args.what is None:
        return _show(args)
    from vibekit.archive import Archive
    from vibekit.place import find_place
    from vibekit.verdict_keeping import add_action

    if args.did is None or args.what is None:
        raise UsageError("--did and --what go together: say what was done, and to which part")
    check_choice("--did", args.did, DID)
    check_choice("--what", args.what, PARTS)
    done_at = moment(args.when)
    description, craft = find_craft(args.craft)
    craft.rotor(args.position)
    if args.did == "swapped":
        if not args.fitted:
            raise UsageError("--with is not given; name the rotor that the part was swapped with")
        craft.check_swap(args.position, args.fitted, args.what)
    action = PartAction(craft.name or "", args.position, args.what, args.did, args.fitted, args.note, done_at)
    with Archive(find_place()) as archive:
        for position in (args.position, args.fitted) if args.did == "swapped" else (args.position,):
            see_order(args.when, [kept.when for kept in archive.readings(craft.name or "", position)], f"{position} was measured")
        if description is not None:
            archive.put_craft(description, craft)
        id = add_action(archive, action)
    if args.json:
        kept = asdict(action) | {"id": id, "done_at": done_at.isoformat()}
        print(json.dumps({"schema": "vibekit.part/1", **kept}, indent=1, ensure_ascii=False))
        return 0
    fitted = f" with {args.fitted}" if args.fitted else ""
    print(f"Kept: {craft.name}, {args.position}: {args.what} {args.did}{fitted}, {local(done_at)}, as {id[:8]}.")
    print(f"`vibekit archive remove {id[:8]}` takes it back.")
    if args.did in FRESH:
        print("What is measured here from now on is compared with what comes after, not with what was before: measure it again.")
    return 0


def _show(args: argparse.Namespace) -> int:
    """Print every piece of work with what it changed."""
    from vibekit.archive import Archive
    from vibekit.comparison import effect_json, effects_words
    from vibekit.effect import effects_of
    from vibekit.place import find_place

    _, craft = find_craft(args.craft)
    craft.rotor(args.position)
    with Archive(find_place(), create=False) as archive:
        actions = done_to(archive.actions(craft.name or ""), args.position)
        effects = effects_of(archive.readings(craft.name or "", args.position), actions)
    if args.json:
        told = {"schema": "vibekit.parts/1", "craft": craft.name, "position": args.position, "actions": [effect_json(e) for e in effects]}
        print(json.dumps(told, indent=1, allow_nan=False, ensure_ascii=False))
        return 0
    for line in effects_words(effects):
        print(line)
    if not effects:
        print(f"Nothing was noted of {craft.name}, {args.position}; note it with --did and --what.")
    return 0
