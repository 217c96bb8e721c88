"""A table in `reference_spectra` that `python -m vibekit.calibration` made: CSV under a line that says so."""

import csv
from importlib.resources import files


def table_text(name: str) -> str:
    """The text of a table of the kit."""
    return (files("vibekit.reference_spectra") / name).read_text(encoding="utf-8")


def rows_of(text: str) -> list[dict[str, str]]:
    """The rows of a table's text."""
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
