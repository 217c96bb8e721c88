"""Questions on a terminal or through a pipe, and small tables."""

import shutil
import sys
import textwrap
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from vibekit.craft import Craft
from vibekit.craft_file import craft_from, read_text
from vibekit.errors import UsageError
from vibekit.moment import local
from vibekit.place import find_place

NARROWEST = 100  # columns, where the output is no terminal


class EndedError(Exception):
    """No more answers will come: the input ended, or Ctrl-C was pressed."""


def ask(prompt: str, out: TextIO) -> str:
    """Ask for one line; give it without blanks around it. Raises EndedError."""
    print(prompt, end="", file=out, flush=True)
    try:
        line = sys.stdin.readline()
    except KeyboardInterrupt:
        print(file=out)
        raise EndedError from None
    if not line:
        print(file=out)
        raise EndedError
    if not sys.stdin.isatty():
        print(line.rstrip("\n"), file=out)
    return line.strip()


def say(text: str, out: TextIO, indent: int = 0) -> None:
    """Print a text, on a terminal broken between words; later lines stand under the first, after a mark."""
    width = shutil.get_terminal_size().columns if out.isatty() else len(text) + indent + 1
    pad = " " * indent
    hang = pad + "  " * text.startswith(("! ", "- "))
    print(textwrap.fill(text, width, initial_indent=pad, subsequent_indent=hang, break_on_hyphens=False), file=out)


def find_craft(word: str) -> tuple[str | None, Craft]:
    """Give a craft by its TOML file, with that text, or by its name in the archive, with None. Raises UsageError, UnreadableError."""
    if word.lower().endswith(".toml") or Path(word).is_file():
        text = read_text(word)
        return text, craft_from(text, word)
    from vibekit.archive import Archive

    with Archive(find_place(), create=False) as archive:
        return None, archive.craft(word)


def print_table(columns: Sequence[str], rows: Iterable[Sequence[object]], title: str = "") -> None:
    """Print a table without frames; numbers to the right."""
    from rich.box import SIMPLE_HEAD
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    rows = [list(row) for row in rows]
    table = Table(box=SIMPLE_HEAD, title=title or None, title_justify="left", title_style="bold", pad_edge=False)
    for number, column in enumerate(columns):
        figures = bool(rows) and all(isinstance(row[number], int | float) for row in rows)
        table.add_column(column, justify="right" if figures else "left", overflow="fold")
    for row in rows:
        table.add_row(*(Text("" if cell is None else str(cell)) for cell in row))
    console = Console(soft_wrap=False)
    console = console if console.is_terminal else Console(width=max(NARROWEST, console.width))
    console.print(table)


def moment(text: str | None) -> datetime:
    """Read what was given with --when; now when nothing was. Raises UsageError."""
    if text is None:
        return datetime.now(UTC)
    try:
        given = datetime.fromisoformat(text).astimezone(UTC)
    except (ValueError, OverflowError):
        raise UsageError(f"--when is {text!r}; write it such as 2026-03-01 or 2026-03-01T14:30") from None
    if given > datetime.now(UTC):
        print(f"vibekit: --when is {text!r}, which is still to come: what is measured until then counts as before it", file=sys.stderr)
    return given


def see_order(text: str | None, others: Iterable[datetime], what: str) -> None:
    """See that --when tells what came first: a day on which something else was done needs the time, too. Raises UsageError."""
    if text is None or "T" in text or " " in text:
        return
    day = datetime.fromisoformat(text).date()
    same = [local(other)[-5:] for other in sorted(others) if other.astimezone().date() == day]
    if same:
        at = f"at {same[0]}" if len(set(same)) == 1 else f"from {same[0]} to {same[-1]}"
        raise UsageError(
            f"--when is {text!r}, and {what} on that day {at}; say the time, too, such as {day}T14:30, so that the order is known"
        )
