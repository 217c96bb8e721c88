"""What a terminal shows of a verdict, line by line: what to do before why, then the numbers."""

import textwrap
from collections.abc import Sequence
from typing import TYPE_CHECKING

from vibekit import marks, wording
from vibekit.craft_verdict import CraftVerdict, suspect_words
from vibekit.finding import Conclusion, Diagnosis
from vibekit.quantity_list import hidden_words, quantity_rows
from vibekit.reading import Reading
from vibekit.turning import ADVICE

if TYPE_CHECKING:
    from rich.text import Text

LIKELY_ENOUGH = 0.05  # other explanations at least this probable are named
EVIDENCE = 8  # lines shown; the report has them all


def describe(
    readings: Sequence[Reading], diagnosis: Diagnosis, *, width: int = 80, encoding: str = "utf-8", numbers: bool = True
) -> "list[Text]":
    """Give what the readings of one motor say: verdict, evidence, other explanations, numbers, remarks, next step, caution.

    Each line is at most `width` characters long; marks that `encoding` cannot write become letters. To be printed by a rich console,
    which leaves the colours out where there is no terminal. numbers: what was measured, too
    """
    end = diagnosis.conclusion
    page = _Page(width)
    page.verdict(end, wording.not_recorded(r.settings.test for r in readings if r.screening.usable), encoding)
    if diagnosis.findings:
        first = next((f for f in diagnosis.findings if f.condition == end.condition), diagnosis.findings[0])
        page.heading(f"For and against: {wording.condition_words(first.condition)}")
        for item in sorted(first.evidence, key=lambda e: -abs(e.weight))[:EVIDENCE]:
            page.entry("for" if item.supports else "against", f"{item.text} ({wording.factor(item)})", 8)
    open_ones = [f for f in diagnosis.findings if f.condition != end.condition and f.probability >= LIKELY_ENOUGH]
    if open_ones:
        page.heading("Not ruled out")
    for finding in open_ones:
        page.entry("", f"{wording.condition_words(finding.condition)}: {wording.likelihood(finding.probability)}")
    for reading in readings if numbers else ():
        page.reading(reading)
    if end.next_step:
        page.heading("Next")
        page.entry("", end.next_step)
    if caution := wording.caution_words(end):
        page.heading("Caution")
        page.entry("", caution)
    return page.lines


def craft_lines(verdict: CraftVerdict, *, width: int = 80) -> "list[Text]":
    """Give the verdict of a craft: its words, what to do first, what else is suspect, and the next measurement."""
    page = _Page(width)
    for piece in textwrap.wrap(verdict.words, width):
        page.line(piece, "bold")
    for number, suspect in enumerate(verdict.acts):
        page.entry("Then" if number else "First", suspect_words(suspect), 7, indent=0)
    for suspect in verdict.also:
        page.entry("Also", suspect_words(suspect), 7, indent=0)
    if verdict.next_step:
        page.entry("Next", f"{verdict.next_position}: {verdict.next_step}", 7, indent=0)
    if verdict.fault and verdict.not_tested:
        page.entry("", f"Not tested: {'; '.join(verdict.not_tested)}.", indent=0)
    return page.lines


def closing(width: int = 80) -> "list[Text]":
    """Give what stands at the end of every judgement."""
    page = _Page(width)
    page.entry("", f"{ADVICE} Nothing here is a permission to fly.", indent=0)
    return page.lines


def strip(motors: Sequence[tuple[str, Conclusion | None]], *, encoding: str = "utf-8") -> "list[Text]":
    """Give the rotors in running order, a line each: name, mark and word of the state, and what was found."""
    from rich.text import Text

    longest = max((len(position) for position, _ in motors), default=0)
    words = max(len(state.words) for state in marks.STATES)
    lines = []
    for number, (position, end) in enumerate(motors, 1):
        state = marks.state_of(end)
        found = "not measured" if end is None else wording.conclusion_words(end)
        mark = marks.mark_for(state, encoding)
        lines.append(
            Text.assemble(f"{number:2}  ", (f"{position:{longest}}", "bold"), "  ", (mark, state.style), f" {state.words:{words}}  {found}")
        )
    return lines


class _Page:
    """Lines written so far."""

    def __init__(self, width: int) -> None:
        self.width = width
        self.lines: list[Text] = []

    def line(self, text: str, style: str = "") -> None:
        from rich.text import Text

        self.lines.append(Text(text, style=style))

    def heading(self, text: str) -> None:
        self.line("")
        for piece in textwrap.wrap(text, self.width):
            self.line(piece, "bold")

    def entry(self, label: str, text: str, hang: int = 0, indent: int = 2) -> None:
        """Write a text beside its label, later lines under the first word of the text."""
        for piece in textwrap.wrap(
            text, self.width, initial_indent=f"{'':{indent}}{label:{hang}}", subsequent_indent=" " * (indent + hang)
        ):
            self.line(piece)

    def pairs(self, pairs: Sequence[tuple[str, str]]) -> None:
        """Write names and values, two beside each other where the width allows."""
        name, value = (max((len(pair[i]) for pair in pairs), default=0) for i in (0, 1))
        beside = 2 if 2 + 2 * (name + 2 + value) + 2 <= self.width else 1
        rows = -(-len(pairs) // beside)
        for i in range(rows):
            self.line("  " + "  ".join(f"{left:{name}}  {right:{value}}" for left, right in pairs[i::rows]).rstrip())

    def verdict(self, end: Conclusion, not_tested: Sequence[str], encoding: str) -> None:
        from rich.text import Text

        state = marks.state_of(end)
        where = f"{end.position}: " if end.position else ""
        self.lines.append(Text.assemble((marks.mark_for(state, encoding), state.style), (f" {where}{state.words}", "bold")))
        for piece in textwrap.wrap(wording.verdict(end, not_tested), self.width, initial_indent="  ", subsequent_indent="  "):
            self.line(piece, "bold")
        if end.claims:
            self.entry("", wording.act_words(end))
        if end.reason:
            self.entry("", end.reason)

    def reading(self, reading: Reading) -> None:
        """Write the lines above the noise, the other quantities, and what screening found."""
        self.heading(f"Measured: {wording.title_of(reading)}")
        seen = [line for line in reading.orders if line.amplitude - line.u95 > line.floor]
        self.pairs([(line.name, wording.line_words(line)) for line in seen])
        if hidden := [f"{line.name} {wording.line_words(line)}" for line in reading.orders if line not in seen]:
            self.entry("", f"in the noise: {', '.join(hidden)}")
        if reading.quantities:
            self.entry("", "levels and scores:")
        self.pairs(quantity_rows(reading))
        if unseen := hidden_words(reading):
            self.entry("", unseen)
        for line in reading.log:
            self.entry("", f"as read: {line}")
        for problem in reading.screening.problems:
            self.entry("", f"{problem.severity}: {problem.detail}")
