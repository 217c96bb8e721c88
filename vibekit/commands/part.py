"""`vibekit part`: note what was done to a part."""

import argparse
import json
from dataclasses import asdict

from vibekit.commands.asking import find_craft, local, moment
from vibekit.errors import UsageError, check_choice
from vibekit.kept import DID, PARTS, PartAction


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `part`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's TOML file, or its name in the archive")
    parser.add_argument("position", metavar="POSITION", help="the rotor's name")
    parser.add_argument("--did", required=True, metavar="|".join(DID), help="what was done")
    parser.add_argument("--what", required=True, metavar="|".join(PARTS), help="to which part")
    parser.add_argument("--with", dest="fitted", default="", metavar="TEXT",
                        help="with what: the new part's name or serial, the balancing mass, the position it was swapped with")  # fmt: skip
    parser.add_argument("--note", default="", metavar="TEXT", help="anything else worth knowing")
    parser.add_argument("--when", metavar="DATE", help="such as 2026-03-01 or 2026-03-01T14:30; now when not given")
    parser.add_argument("--json", action="store_true", help="print what was kept as one object")


def run(args: argparse.Namespace) -> int:
    """Keep what was done."""
    from vibekit.archive import Archive
    from vibekit.casefile import FRESH
    from vibekit.place import find_place

    check_choice("--did", args.did, DID)
    check_choice("--what", args.what, PARTS)
    done_at = moment(args.when)
    description, craft = find_craft(args.craft)
    craft.rotor(args.position)
    if args.did == "swapped" and args.fitted not in set(craft.positions) - {args.position}:
        raise UsageError(f"--with is {args.fitted!r}; a part is swapped with another position: one of {', '.join(craft.positions)}")
    action = PartAction(craft.name or "", args.position, args.what, args.did, args.fitted, args.note, done_at)
    with Archive(find_place()) as archive:
        if description is not None:
            archive.put_craft(description, craft)
        id = archive.put_action(action)
    if args.json:
        kept = asdict(action) | {"id": id, "done_at": done_at.isoformat()}
        print(json.dumps({"schema": "vibekit.part/1", **kept}, indent=1, ensure_ascii=False))
        return 0
    fitted = f" with {args.fitted}" if args.fitted else ""
    print(f"Kept: {craft.name}, {args.position}: {args.what} {args.did}{fitted}, {local(done_at)}.")
    if args.did in FRESH:
        print("What is measured here from now on is compared with what comes after, not with what was before: measure it again.")
    return 0
