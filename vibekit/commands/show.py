"""Verdicts on the terminal."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from vibekit.craft_verdict import CraftVerdict, craft_verdict
from vibekit.finding import Diagnosis
from vibekit.judging import Judgement
from vibekit.reading import Reading

if TYPE_CHECKING:
    from rich.text import Text

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
