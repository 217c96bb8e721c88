"""A table in `reference_spectra` that a module of the kit counted on the rig: CSV under a line that says so."""

import csv
import sys
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

FOLDER = Path(__file__).resolve().parent.parent / "reference_spectra"  # of this checkout: tables are made here and read from the kit


def table_text(name: str) -> str:
    """The text of a table of the kit."""
    return (files("vibekit.reference_spectra") / name).read_text(encoding="utf-8")


def rows_of(text: str) -> list[dict[str, str]]:
    """The rows of a table's text."""
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


def made_by(module: str) -> str:
    """The line that such a table begins with."""
    return f"# made by python -m {module}; do not edit\n"


def craft_wanted(usual: int) -> int:
    """On how many craft a table is to be counted: the first word of the command line, `usual` without one."""
    return int(sys.argv[1]) if len(sys.argv) > 1 else usual


def write_table(name: str, module: str, make_table: Callable[[range], str], first_seed: int, usual: int) -> None:
    """Count a table on as many craft as are wanted, drawn from `first_seed` on, and write it into FOLDER."""
    seeds = range(first_seed, first_seed + craft_wanted(usual))
    (FOLDER / name).write_text(made_by(module) + make_table(seeds), encoding="utf-8")
