"""The rules by which probabilities become a conclusion."""

from dataclasses import replace

import pytest

from vibekit.diagnosis import Hint, conclude_craft, diagnose
from vibekit.likelihood import load_likelihoods
from vibekit.observation import LONE, Observation
from vibekit.rig import Fault, draw_craft
from vibekit.rig_case import rig_reading
from vibekit.screening import Problem, Screening

CRAFT = draw_craft(17)


def takes(test, first, count, fault=None):
    return [rig_reading(CRAFT, test, "contact", take, fault) for take in range(first, first + count)]


@pytest.fixture(scope="module")
def past():
    return [*takes("bare", 0, 3), *takes("prop", 0, 3)]


@pytest.fixture(scope="module")
def now():
    return [*takes("bare", 10, 2), *takes("prop", 10, 2)]


@pytest.fixture(scope="module")
def gritty():
    fault = Fault("bearing-grit", 8)
    return [*takes("bare", 20, 2, fault), *takes("prop", 20, 2, fault)]


def test_a_large_fault_is_named_with_its_evidence(gritty, past):
    diagnosis = diagnose(gritty, references=past, position="south-west")
    assert diagnosis.conclusion.condition == "bearing-grit"
    assert diagnosis.conclusion.position == "south-west"
    first = diagnosis.findings[0]
    assert first.condition == "bearing-grit"
    assert any("clicks" in e.text and e.supports and e.weight > 0 for e in first.evidence)
    assert sum(f.probability for f in diagnosis.findings) <= 1 + 1e-9


def test_pulses_of_a_bearing_of_unknown_size_tell_races_and_balls_apart_by_nothing():
    """The same order is an outer race's in one bearing and a ball's in another (common practice, no source)."""
    likelihoods = load_likelihoods()
    prior = dict.fromkeys(likelihoods.conditions, 1 / len(likelihoods.conditions))
    comb = Observation("defect comb", "bare", 6, "pulses at 3.58x", 30.0, "touch")
    chance = likelihoods.posterior([comb], prior)
    assert chance["bearing-outer"] == pytest.approx(chance["bearing-inner"], rel=1e-9)
    assert chance["bearing-outer"] == pytest.approx(chance["bearing-ball"], rel=1e-9)
    assert chance["bearing-outer"] > 3 * chance["healthy"]


def test_nothing_to_compare_with_never_gives_health(now):
    end = diagnose(now).conclusion
    assert end.condition == "undecided"
    assert "compare" in end.reason
    assert end.next_step


def test_damage_that_was_seen_stands_whatever_the_recordings_say(now, past):
    nick = Hint("nick in an edge", {"blade-damage": 0.7, "prop-imbalance": 0.7}, decides=True)
    end = diagnose(now, references=past, hints=[nick]).conclusion
    assert end.condition in ("blade-damage", "prop-imbalance")
    assert end.part == "propeller"


def test_a_slow_sensor_is_not_believed_with_more_than_it_can_see(now, past):
    slow = [replace(r, rate_hz=100.0) for r in now]
    end = diagnose(slow, references=past).conclusion
    assert end.condition == "undecided"
    assert "slow" in end.reason


def test_an_unfit_recording_gives_its_reason(now):
    unfit = replace(now[0], screening=Screening((Problem("silent", "stop", "only zeros: allow the microphone"),)))
    end = diagnose([unfit]).conclusion
    assert (end.condition, end.reason) == ("undecided", "only zeros: allow the microphone")


def test_a_craft_is_concluded_by_its_surest_fault(now, gritty, past):
    verdicts = {"a": diagnose(now, references=past, position="a"), "b": diagnose(gritty, references=past, position="b")}
    assert conclude_craft(verdicts).position == "b"


def test_tables_are_frequencies_and_health_needs_no_rare_step():
    likelihoods = load_likelihoods()
    for table in likelihoods.tables.values():
        assert table.sum(axis=1) == pytest.approx(1.0, abs=1e-3)
    healthy = likelihoods.states.index(("healthy", "0"))
    for where, table in likelihoods.tables.items():
        usual = 0 if where[0] == LONE else 1  # "unchanged" is what a healthy motor mostly gives, and a run-up that nothing new stands in
        assert table[healthy].argmax() == usual, where
