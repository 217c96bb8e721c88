"""`vibekit compare`: the motors of a craft with each other, with their own past and with the same model on other craft."""

import argparse
import json


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `compare`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's name in the archive, or its TOML file")
    parser.add_argument("--numbers", action="store_true", help="print what was measured, too")
    parser.add_argument("--json", action="store_true", help="print one machine-readable object instead of words")


def run(args: argparse.Namespace) -> int:
    """Judge and print; 1 when nothing could be judged."""
    from vibekit.archive import Archive
    from vibekit.casefile import open_case
    from vibekit.commands.asking import find_craft
    from vibekit.commands.show import show_comparison, show_craft, show_parts
    from vibekit.commands.spins import show_spins, spins_side_by_side
    from vibekit.comparison import compare_case, comparison_json
    from vibekit.diagnosis import conclude_craft
    from vibekit.errors import UsageError
    from vibekit.place import find_place
    from vibekit.propeller_or_motor import propeller_json, propeller_or_motor
    from vibekit.result import craft_json, verdict_json

    _, craft = find_craft(args.craft)
    with Archive(find_place(), create=False) as archive:
        case = open_case(archive, craft.name or args.craft)
    verdicts = case.judge()
    if not verdicts:
        raise UsageError(f"the archive holds nothing about the motors of {craft.name}; add recordings with `vibekit add` first")
    readings = {m.position: m.readings for m in case.motors}
    comparisons, parts, verdict = compare_case(case), propeller_or_motor(case), case.verdict(verdicts)
    if args.json:
        found = craft_json(craft.name or args.craft, readings, verdicts, conclude_craft(verdicts)) | spins_side_by_side(readings)
        found |= comparison_json(comparisons) | propeller_json(parts) | {"verdict": verdict_json(verdict)}
        print(json.dumps(found, indent=1, allow_nan=False, ensure_ascii=False))
    else:
        show_comparison(comparisons, {position: d.conclusion for position, d in verdicts.items()}, numbers=args.numbers)
        show_spins(readings)
        show_parts(parts)
        show_craft(verdicts, readings, verdict, numbers=args.numbers)
    return 0 if any(r.screening.usable for listed in readings.values() for r in listed) else 1
