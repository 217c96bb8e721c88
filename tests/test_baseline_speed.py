"""A baseline whose speed nobody typed and no one finds: a slow log of one line, as a phone writes it."""

import json
import re

import numpy as np
import pytest

from vibekit.cli import main

RATE, SECONDS = 100.0, 20.0


def log(path, *, hz, amplitude):
    """A phone's log of 1x alone, which lies so near half its rate that nothing else tells the shaft's speed."""
    time = np.arange(0, SECONDS, 1 / RATE)
    noise = np.random.default_rng(round(100 * amplitude)).normal(0, 0.05, time.size)
    rows = np.column_stack([1e3 * time, amplitude * np.sin(2 * np.pi * hz * time) + noise])
    np.savetxt(path, rows, fmt=["%.0f", "%.5f"], delimiter=",", header="time_ms,x", comments="")
    return str(path)


@pytest.fixture
def told(capsys):
    def tell(*words):
        main(["analyze", *words, "--test", "bare", "--json"])
        out, err = capsys.readouterr()
        return json.loads(out), err

    return tell


def test_a_baseline_is_taken_to_run_at_the_typed_speed_where_it_shows_a_line_and_that_is_said(told, tmp_path):
    now, before = log(tmp_path / "now.csv", hz=31.0, amplitude=0.5), log(tmp_path / "before.csv", hz=31.1, amplitude=0.1)
    found, said = told(now, "--speed", "1860rpm", "--baseline", before)
    assert "before.csv: no shaft speed found; taken as 186" in said
    level, u95 = (float(x) for x in re.search(r"([+\d.]+) dB ± ([\d.]+)", found["conclusion"]["reason"]).groups())
    assert level == pytest.approx(20 * np.log10(5), abs=u95)


def test_a_baseline_without_a_line_there_is_left_out_and_that_is_said(told, tmp_path):
    now, before = log(tmp_path / "now.csv", hz=31.0, amplitude=0.5), log(tmp_path / "before.csv", hz=19.0, amplitude=0.1)
    found, said = told(now, "--speed", "1860rpm", "--baseline", before)
    assert "state it with --baseline-speed" in said
    assert "Not compared with the healthy recordings: no shaft speed was found in them" in found["conclusion"]["reason"]
