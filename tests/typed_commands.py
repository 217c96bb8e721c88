"""Commands typed at a bench: a folder with the description of the Wren-4, and an archive that none has made yet."""

import io
import json
import sys

import pytest

from tests.test_archive import WREN
from vibekit.archive import Archive
from vibekit.cli import main
from vibekit.place import find_place


def at_bench(tmp_path, monkeypatch):
    """Go to the folder."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.chdir(tmp_path)
    (tmp_path / "wren.toml").write_text(WREN, encoding="utf-8")
    return tmp_path


def run(capsys, *words):
    status = main(words)
    said = capsys.readouterr()
    return status, said.out, said.err


def run_json(capsys, *words):
    status, out, _ = run(capsys, *words, "--json")
    assert status == 0
    return json.loads(out, parse_constant=lambda word: pytest.fail(f"{word} is no JSON"))


def opened():
    return Archive(find_place(), create=False)


def typed(monkeypatch, text):
    monkeypatch.setattr(sys, "stdin", io.StringIO(text))
