"""Open recordings with known truth, read from the folder that VIBEKIT_OPEN_DATA names; see its manifest for sources and licences."""

import csv
import json
import os
from pathlib import Path
from typing import Any

import pytest

from vibekit.cli import main

FOLDER = os.environ.get("VIBEKIT_OPEN_DATA")
needs_open_data = pytest.mark.skipif(not FOLDER, reason="VIBEKIT_OPEN_DATA is not set: open recordings are not there")


def manifest(start: str) -> list[dict[str, str]]:
    """Rows of the manifest whose file begins with `start`; none without the data."""
    if not FOLDER:
        return []
    with open(Path(FOLDER) / "manifest.csv", newline="", encoding="utf-8") as file:
        return [row for row in csv.DictReader(file) if row["file"].startswith(start)]


def path(name: str) -> str:
    return str(Path(FOLDER or "") / name)


def motor_sound(fault: str) -> list[str]:
    """Sound recordings of the open motor with that fault."""
    return [path(row["file"]) for row in manifest("motors") if row["fault"] == fault and row["file"].endswith(".wav")]


def analyzed(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    """What `vibekit analyze ... --json` prints."""
    status = main(["analyze", *words, "--json"])
    printed = capsys.readouterr().out
    assert status in (0, 1)
    result: dict[str, Any] = json.loads(printed)
    return result
