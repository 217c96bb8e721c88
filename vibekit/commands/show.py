"""Verdicts on the terminal."""

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from vibekit.craft_verdict import CraftVerdict, craft_verdict
from vibekit.finding import Conclusion, Diagnosis
from vibekit.judging import Judgement
from vibekit.reading import Reading

if TYPE_CHECKING:
    from rich.text import Text

    from vibekit.comparison import Comparison
    from vibekit.propeller_or_motor import PropellerOrMotor

WIDEST = 100  # columns; longer lines are hard to follow


def show(judgement: Judgement, *, positions: Sequence[str] = ()) -> None:
    """Print a judgement: a strip of the motors first when there are several, then each."""
    if positions:
        diagnoses = {p: d for p, (_, d) in zip(positions, judgement.each, strict=True)}
        show_craft(diagnoses, {p: [r] for p, (r, _) in zip(positions, judgement.each, strict=True)})
    else:
        _print({"": judgement.together}, {"": [reading for reading, _ in judgement.each]})


def show_craft(
    diagnoses: Mapping[str, Diagnosis],
    readings: Mapping[str, Sequence[Reading]],
    verdict: CraftVerdict | None = None,
    *,
    numbers: bool = True,
) -> None:
    """Print the motors of a craft: the strip, the verdict with what to do first, then each motor. numbers: what was measured, too."""
    _print(diagnoses, readings, verdict or craft_verdict(diagnoses, readings), numbers=numbers)


def show_comparison(comparisons: "Sequence[Comparison]", ends: Mapping[str, Conclusion | None], *, numbers: bool) -> None:
    """Print the motors against every reference, a row each, and what was done to them. numbers: each quantity of each past, too."""
    from rich.console import Console

    from vibekit.commands.asking import print_table
    from vibekit.comparison import QUANTITIES, effects_words, folded, key_words, quantity_rows, table_rows
    from vibekit.history import alarm_words
    from vibekit.wording import TEST_WORDS

    encoding = Console().encoding
    columns, rows, idle = folded(table_rows(comparisons, ends, encoding))
    print_table(columns, rows)
    done = [f"{c.position}, {words}" for c in comparisons for words in effects_words(c.effects)]
    for line in (key_words(encoding), *idle, *done):
        print(textwrap.fill(line, WIDEST))
    for c in comparisons if numbers else ():
        for own in c.own:
            print_table(QUANTITIES, quantity_rows(own, c.past), f"{c.position}, {TEST_WORDS[own.test]}: {len(own.course.visits)} sittings")
            print(textwrap.fill(alarm_words(own), WIDEST))
    print()


def _print(
    diagnoses: Mapping[str, Diagnosis],
    readings: Mapping[str, Sequence[Reading]],
    verdict: CraftVerdict | None = None,
    *,
    numbers: bool = True,
) -> None:
    from rich.console import Console

    from vibekit.terminal import closing, craft_lines, describe, strip

    console = Console(highlight=False)
    width, encoding = min(console.width, WIDEST), console.encoding
    pages: list[list[Text]] = []
    if verdict is not None:
        ends = [(position, diagnosis.conclusion) for position, diagnosis in diagnoses.items()]
        pages += [strip(ends, encoding=encoding), craft_lines(verdict, width=width)]
    pages += [
        describe(readings[position], diagnosis, width=width, encoding=encoding, numbers=numbers)
        for position, diagnosis in diagnoses.items()
    ]
    for page in [*pages, closing(width)]:
        for line in page:
            console.print(line, soft_wrap=True)
        console.print()


def show_parts(found: "PropellerOrMotor") -> None:
    """Print what swaps, bare readings and refits say."""
    import sys

    from vibekit.commands.asking import say

    for line in found.lines():
        say(f"- {line}", sys.stdout)
    if found.swaps or found.bare or found.refits:
        print()
