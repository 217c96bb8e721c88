"""Verdicts on the terminal."""

import sys
from collections.abc import Mapping, Sequence

from vibekit.finding import Conclusion, Diagnosis
from vibekit.judging import Judgement
from vibekit.reading import Reading


def show(judgement: Judgement, *, positions: Sequence[str] = ()) -> None:
    """Print a judgement: a strip of the motors first when there are several, then each."""
    if positions:
        diagnoses = {p: d for p, (_, d) in zip(positions, judgement.each, strict=True)}
        show_craft(diagnoses, {p: [r] for p, (r, _) in zip(positions, judgement.each, strict=True)}, judgement.together.conclusion)
    else:
        _print(_described([reading for reading, _ in judgement.each], judgement.together))


def show_craft(diagnoses: Mapping[str, Diagnosis], readings: Mapping[str, Sequence[Reading]], end: Conclusion) -> None:
    """Print the motors of a craft: the strip, what to do first, then each motor."""
    from vibekit.terminal import strip

    lines = strip([(position, d.conclusion) for position, d in diagnoses.items()], encoding=_encoding())
    _print(lines)
    for position, diagnosis in diagnoses.items():
        _print([f"\n{'=' * 4} {position} {'=' * max(70 - len(position), 4)}"])
        _print(_described(list(readings[position]), diagnosis))


def _described(readings: Sequence[Reading], diagnosis: Diagnosis) -> Sequence[object]:
    from vibekit.terminal import describe

    return describe(readings, diagnosis, encoding=_encoding())


def _encoding() -> str:
    return sys.stdout.encoding or "ascii"


def _print(lines: Sequence[object]) -> None:
    from rich.console import Console

    console = Console(soft_wrap=True, highlight=False)
    for line in lines:
        console.print(line, markup=False)
