"""`vibekit swap`: does a fault go with the propeller or stay with the motor?"""

import argparse
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibekit.craft import Craft
    from vibekit.swap import SwapResult
    from vibekit.swap_gathering import SwapFile

SHOWN = 4  # quantities in the table; --json has them all


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the options of `swap`."""
    parser.add_argument("craft", metavar="CRAFT", help="the craft's name in the archive, or its TOML file")
    parser.add_argument("first", metavar="FIRST", help="the rotor that is suspected")
    parser.add_argument("second", metavar="SECOND", help="the rotor that its propeller changes places with")
    parser.add_argument("--json", action="store_true", help="print one machine-readable object instead of words")


def run(args: argparse.Namespace) -> int:
    """Say what to do next, or judge the swap; 1 while measurements are missing."""
    from vibekit.archive import Archive
    from vibekit.commands.asking import find_craft
    from vibekit.place import find_place
    from vibekit.swap_gathering import swap_from_archive

    _, craft = find_craft(args.craft)
    with Archive(find_place(), create=False) as archive:
        file = swap_from_archive(archive, craft.name or args.craft, args.first, args.second)
    result = file.judge()
    if args.json:
        print(json.dumps(_as_json(craft.name or args.craft, file, result), indent=1, allow_nan=False, ensure_ascii=False))
    elif result is None:
        _show_steps(craft, file)
    else:
        _show(file, result)
    return 1 if result is None else 0


def _as_json(craft: str, file: "SwapFile", result: "SwapResult | None") -> dict[str, Any]:
    from vibekit.result import finite

    judged = None
    if result:
        judged = {
            "answer": result.answer,
            "probabilities": result.probabilities,
            "moved": [
                {
                    "name": m.name,
                    "excess_before": _number(m.excess),
                    "first": _number(m.first),
                    "second": _number(m.second),
                    "weight": finite(m.weight),
                }
                for m in result.moved
            ],
            "bare": [{"text": e.text, "supports": e.supports, "weight": finite(e.weight)} for e in result.bare],
            "refits": result.refits,
            "cautions": list(result.cautions),
            "next_step": result.next_step,
        }
    return {
        "schema": "vibekit.swap/1",
        "craft": craft,
        "first": file.first.position,
        "second": file.second.position,
        "swapped_at": file.action.done_at.isoformat() if file.action else None,
        "missing": [step.how for step in file.missing],
        "result": judged,
    }


def _number(number: tuple[float, float]) -> dict[str, float | None]:
    from vibekit.result import finite

    return {"decibel": finite(number[0]), "u95": finite(number[1])}


def _show_steps(craft: "Craft", file: "SwapFile") -> None:
    import shlex
    import sys

    from vibekit.commands.asking import say
    from vibekit.turning import ADVICE, BLADES, HANDS, POWER

    print("Not judged yet. Do this, in this order:")
    for number, step in enumerate(file.missing, 1):
        say(f"{number}. {step.how}", sys.stdout, 2)
    if file.action is None:
        first, second = file.first.position, file.second.position
        words = ["vibekit", "part", craft.name or "CRAFT", first, "--did", "swapped", "--what", "propeller", "--with", second]
        say(f"The swap is noted with: {shlex.join(words)}", sys.stdout)
    print("Mind:")
    for caution in craft.way.cautions if craft.way else (*HANDS, *POWER, *BLADES):
        say(f"- {caution}", sys.stdout, 2)
    say(ADVICE, sys.stdout)


def _show(file: "SwapFile", result: "SwapResult") -> None:
    import sys

    from vibekit.commands.asking import print_table, say
    from vibekit.swap import ANSWERS
    from vibekit.turning import ADVICE
    from vibekit.wording import factor, likelihood, sentence, with_interval

    first, second = file.first.position, file.second.position
    say(f"{first} with {second}: {sentence(ANSWERS[result.answer])}.", sys.stdout)
    for answer, probability in sorted(result.probabilities.items(), key=lambda each: -each[1]):
        say(f"- {ANSWERS[answer]}: {likelihood(probability)}", sys.stdout, 2)
    counts = [
        f"{rotor.position} {sum(map(len, rotor.before))} before and {sum(map(len, rotor.after))} after"
        for rotor in (file.first, file.second)
    ]
    say(f"Taken together: {', '.join(counts)} the swap, {len(file.first.bare)} of {first} bare.", sys.stdout)
    rows = [(m.name, *(with_interval(*number, "dB") for number in (m.excess, m.first, m.second))) for m in result.moved[:SHOWN]]
    if rows:
        print_table(("what", f"{first} stood out by", f"{first} at the swap", f"{second} at the swap"), rows)
    for item in result.bare[:SHOWN]:
        say(f"- bare, {'for' if item.supports else 'against'} the motor: {item.text} ({factor(item)}).", sys.stdout, 2)
    for caution in result.cautions:
        say(f"- {sentence(caution)}.", sys.stdout)
    if result.next_step:
        say(f"Next: {result.next_step}.", sys.stdout)
    say(f"{ADVICE} Nothing here is a permission to fly.", sys.stdout)
