"""`vibekit refit`: what taking a propeller off and putting it back does by itself, measured step by step."""

import argparse
import json
from typing import TYPE_CHECKING, Any

from vibekit.kept import PartAction, done_to

if TYPE_CHECKING:
    from vibekit.craft import Craft
    from vibekit.refit import RefitStudy


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `refit`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's name in the archive, or its TOML file")
    parser.add_argument("position", metavar="POSITION", help="the rotor's name")
    parser.add_argument("--done", action="store_true", help="note that its propeller was taken off and put back; folding: started again")
    parser.add_argument("--when", metavar="DATE", help="of --done, such as 2026-03-01 or 2026-03-01T14:30; now when not given")
    parser.add_argument("--json", action="store_true", help="print one machine-readable object instead of words")


def run(args: argparse.Namespace) -> int:
    """Note a refit or say what comes next, with what is known; 1 while it is not measured."""
    from vibekit.archive import Archive
    from vibekit.commands.asking import find_craft, moment, see_order
    from vibekit.errors import UsageError
    from vibekit.place import find_place
    from vibekit.refit import RESEATED
    from vibekit.refit_gathering import refit_studies

    if args.when and not args.done:
        raise UsageError("--when says when it was done; give --done, too")
    _, craft = find_craft(args.craft)
    name = craft.name or args.craft
    craft.rotor(args.position)
    with Archive(find_place(), create=False) as archive:
        if args.done:
            see_order(args.when, [kept.when for kept in archive.readings(name, args.position)], f"{args.position} was measured")
            archive.put_action(PartAction(name, args.position, "propeller", RESEATED, "", "", moment(args.when)))
        studies = refit_studies(archive.readings(name, args.position), done_to(archive.actions(name), args.position), args.position)
    newest = studies[-1] if studies else None
    if args.json:
        print(json.dumps(_as_json(name, args.position, newest), indent=1, allow_nan=False, ensure_ascii=False))
    else:
        _show(craft, args.position, newest, done=args.done)
    return 0 if newest and newest.done else 1


def _as_json(craft: str, position: str, study: "RefitStudy | None") -> dict[str, Any]:
    from vibekit.refit import REFITS
    from vibekit.result import finite

    return {
        "schema": "vibekit.refit/1",
        "craft": craft,
        "position": position,
        "fittings": len(study.fittings) if study else 0,
        "wanted": REFITS,
        "spreads": [
            {
                "name": s.name,
                "decibel": finite(s.deviation),
                "low": finite(s.low),
                "high": finite(s.high),
                "rig_decibel": finite(s.expected),
            }
            for s in (study.spreads if study else ())
        ],
    }


def _show(craft: "Craft", position: str, study: "RefitStudy | None", *, done: bool) -> None:
    import sys

    from vibekit.commands.asking import print_table, say
    from vibekit.observation import WORDS
    from vibekit.refit import REFITS
    from vibekit.turning import ADVICE, BLADES, HANDS, POWER

    count = len(study.fittings) if study else 0
    folding = craft.rotor(position).propeller.folding is True
    again = "stop it and start it again" if folding else "battery out, take the propeller off and put it back as tight as before"
    print(f"{position}: {count} of {REFITS} {'starts' if folding else 'fittings'} measured.")
    if study and study.spreads:
        rows = [(WORDS[s.name], f"{s.deviation:.1f} dB", f"{s.low:.1f} to {s.high:.1f} dB", f"{s.expected:.1f} dB") for s in study.spreads]
        print_table(("what", "one fitting scatters by", "95 % interval", "on the rig"), rows)
    if study and study.done:
        say("This is used from now on where this craft is judged: a change is believed only when it stands above it.", sys.stdout)
        return
    measure = f"measure {position} with its propeller, steady, 20 s (`vibekit add` or `vibekit record`)"
    step = measure if done or not count else f"{again}, note it with `vibekit refit {craft.name} {position} --done`; then {measure}"
    say(f"Next: {step}. Same sensor, place, fixing and speed.", sys.stdout)
    print("Mind:")
    for caution in craft.way.cautions if craft.way else (*HANDS, *POWER, *BLADES):
        say(f"- {caution}", sys.stdout, 2)
    say(ADVICE, sys.stdout)
