"""Flights with one cut propeller: UAV propeller anomaly audio data set, Technology Innovation Institute (ICASSP 2022)."""

from dataclasses import replace
from functools import cache
from itertools import combinations

import pytest

from tests.open_data import analyzed, manifest, needs_open_data, path
from vibekit.analysis import analyze
from vibekit.blade_count import chances_of
from vibekit.capture.files import read_recording
from vibekit.diagnosis import diagnose
from vibekit.settings import Settings

pytestmark = needs_open_data
BASELINE = ("flights/0000_01_ch1.wav", "flights/0000_02_ch1.wav", "flights/0000_03_ch1.wav")
HEALTHY = ("healthy", "undecided")


FLIGHT, TWO = Settings("flight"), Settings("flight", blades=2)


@cache
def reading(name, settings=TWO):
    return analyze(read_recording(path(name)), settings)


def test_every_broken_propeller_is_found_and_no_healthy_flight_is_called_broken():
    for row in manifest("flights"):
        if row["file"] in BASELINE:
            continue
        named = diagnose([reading(row["file"])], references=[reading(name) for name in BASELINE]).conclusion.condition
        if row["fault"] == "0000":
            assert named in HEALTHY, (row["file"], named)
        else:
            assert named in ("prop-imbalance", "blade-damage"), (row["file"], named)


@pytest.mark.parametrize("arms", [("0001", "0100"), ("0010", "1000"), ("0001", "0010", "1000"), ("0001", "0010", "0100", "1000")])
def test_several_broken_propellers_at_once_are_found_and_it_is_said_that_there_may_be_several(arms):
    """Flights added up, one with each arm's propeller cut."""
    each = [read_recording(path(f"flights/{arm}_01_ch1.wav")) for arm in arms]
    length = min(r.samples.shape[1] for r in each)
    both = replace(each[0], samples=sum(r.samples[:, :length] for r in each) / len(each))
    end = diagnose([analyze(both, TWO)], references=[reading(name) for name in BASELINE]).conclusion
    assert end.condition in ("prop-imbalance", "blade-damage")
    assert "more than one may be hurt" in end.reason or "may hide beneath it" in end.reason


def test_a_healthy_flight_recorded_louder_is_not_called_broken():
    for row in manifest("flights/0000"):
        if row["file"] not in BASELINE:
            recording = read_recording(path(row["file"]))
            loud = analyze(replace(recording, samples=4 * recording.samples), TWO)
            end = diagnose([loud], references=[reading(name) for name in BASELINE]).conclusion
            assert end.condition in HEALTHY
            assert "louder alike" in end.reason


@pytest.mark.parametrize("settings", [TWO, FLIGHT], ids=["blades said", "blades not said"])
def test_without_any_healthy_flight_none_is_called_broken_and_most_of_the_broken_are_found(settings):
    """A rotor that stands out less than sound ones may on other craft is left open."""
    found = 0
    for row in manifest("flights"):
        named = diagnose([reading(row["file"], settings)]).conclusion.condition
        if row["fault"] == "0000":
            assert named in HEALTHY, (row["file"], named)
        else:
            assert named in (*HEALTHY, "prop-imbalance", "blade-damage"), (row["file"], named)
            found += named not in HEALTHY
    assert found >= 4


def test_propellers_of_two_blades_look_like_it():
    likeliest = [next(iter(chances_of(reading(row["file"], FLIGHT)))) for row in manifest("flights")]
    assert likeliest == [2] * len(likeliest)


@pytest.mark.parametrize("settings", [Settings(), Settings(blades=2), FLIGHT], ids=["nothing", "blades", "flight"])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_less_said_about_the_flight_and_any_past_never_make_a_healthy_one_broken(settings, count):
    """Whichever of the healthy flights are the past: each of the others against them."""
    healthy = [row["file"] for row in manifest("flights/0000")]
    for past in combinations(healthy, count):
        baseline = [reading(name, settings) for name in past]
        called = {
            name: diagnose([reading(name, settings)], references=baseline).conclusion.condition for name in healthy if name not in past
        }
        assert set(called.values()) <= set(HEALTHY), (past, called)


def test_a_flight_that_nobody_called_one_is_told_how_to_be_judged_as_one(capsys):
    for row in manifest("flights")[::5]:
        told = [problem["detail"] for problem in analyzed(capsys, path(row["file"]))["screening"]["problems"]]
        assert any("--test flight" in detail for detail in told), row["file"]


@pytest.mark.parametrize("seconds", [None, 10.0, 15.0])
def test_a_flight_that_nobody_called_one_is_no_bearing(seconds):
    """The beats of a loud rotor with the others lie at orders where races may."""
    for row in manifest("flights"):
        recording = read_recording(path(row["file"]))
        length = round((seconds or recording.duration_s) * recording.rate_hz)
        for start in range(0, recording.samples.shape[1] - length + 1, length):
            part = replace(recording, samples=recording.samples[:, start : start + length])
            named = diagnose([analyze(part, Settings())]).conclusion.condition
            assert not named.startswith("bearing"), (row["file"], start, named)
