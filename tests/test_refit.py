"""What refitting does: measured against the rig's own truth, noted by command, and used in place of the prior."""

import json
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from test_swap_command import BEFORE, RIG, WREN, keep

from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.cli import main
from vibekit.craft_file import craft_from
from vibekit.place import find_place
from vibekit.refit import learned, study
from vibekit.repeatability import load_repeatability
from vibekit.rig import record
from vibekit.rig_case import rig_settings

FITS = 10


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.chdir(tmp_path)
    with Archive(find_place()) as archive:
        archive.put_craft(WREN, craft_from(WREN, "wren.toml"))


@pytest.fixture(scope="module")
def takes():
    """(reading, true amplitude of 1x) for each take of ten fittings, and of one fitting."""
    craft = replace(RIG, gain_scatter_db=0.05)

    def take(number, refit):
        recording, truth = record(craft, take=number, refit=refit)
        return analyze(recording, rig_settings(craft, "prop", "contact", known=True)), truth.amplitude[1.0]

    return [take(n, None) for n in range(FITS)], [take(100 + n, 1) for n in range(3)]


def fittings(takes):
    return tuple((reading,) for reading, _ in takes)


def of(found, name):
    return next(s for s in found.spreads if s.name == name)


def test_the_spread_is_that_of_the_true_amplitudes(takes):
    """Over the same ten fittings: standard deviation of the true 1x, relative to its mean, within a tenth of it."""
    true = np.array([amplitude for _, amplitude in takes[0]])
    measured = of(study("north-east", fittings(takes[0]), load_repeatability()), "1x")
    relative = 20 / np.log(10) * true.std(ddof=1) / true.mean()
    assert measured.deviation == pytest.approx(relative, rel=0.1)
    assert measured.low < relative < measured.high


def test_readings_of_one_fitting_are_one(takes):
    (first, _), *_ = takes[0]
    alone = study("north-east", (tuple(r for r, _ in takes[1]),), load_repeatability())
    assert (alone.done, alone.spreads) == (False, ())
    assert not study("north-east", ((first,), tuple(r for r, _ in takes[1])), load_repeatability()).done


def test_what_was_learned_stands_between_prior_and_what_was_seen(takes):
    prior = load_repeatability()
    done = study("north-east", fittings(takes[0]), prior)
    row, rig = learned(prior, [done]).of("1x", "prop", "contact"), prior.of("1x", "prop", "contact")
    seen = of(done, "1x").deviation * np.log(10) / 20
    assert min(seen, rig.deviation) <= row.deviation <= max(seen, rig.deviation)
    assert row.worth == pytest.approx(rig.worth + FITS - 1)
    assert row.deviation**2 * row.worth == pytest.approx(rig.worth * rig.deviation**2 + (FITS - 1) * seen**2)  # Smyth 2004, equation 4
    assert learned(prior, [done]).of("1x", "bare", "contact") == prior.of("1x", "bare", "contact")


def test_it_is_led_step_by_step(bench, capsys):
    def refit(*words):
        status = main(["refit", "Wren-4", "north-east", *words])
        return status, capsys.readouterr().out

    status, out = refit()
    assert (status, "0 of 3 fittings" in out, "Next: measure north-east" in out) == (1, True, True)
    for number in range(3):
        keep("north-east", 0, BEFORE + timedelta(minutes=10 * number), [50 + number])
        status, out = refit()
        assert f"{number + 1} of 3 fittings" in out
        if number < 2:
            assert "take the propeller off and put it back" in out
            assert "Propeller on only behind a guard" in out
            status, out = refit("--done", "--when", (BEFORE + timedelta(minutes=10 * number + 5)).isoformat())
            assert "Next: measure" in out
    assert status == 0
    assert "once-a-turn line (1x)" in out
    found = json.loads(refit("--json")[1])
    assert (found["schema"], found["fittings"]) == ("vibekit.refit/1", 3)
    line = next(s for s in found["spreads"] if s["name"] == "1x")
    assert line["low"] < line["decibel"] < line["high"]


def test_a_date_without_a_deed_is_refused(bench, capsys):
    assert main(["refit", "Wren-4", "north-east", "--when", "2026-03-01"]) == 2
    assert "--done" in capsys.readouterr().err
