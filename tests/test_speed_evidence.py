"""One motor at three speeds, on the rig: a force raises 1x at all of them, a resonance at one."""

from dataclasses import replace

import pytest

from vibekit.analysis import analyze
from vibekit.diagnosis import diagnose
from vibekit.repeatability import load_repeatability
from vibekit.rig import Fault, draw_craft, record
from vibekit.rig_case import rig_settings
from vibekit.speed_evidence import over_speeds

CRAFT = draw_craft(2001)
SHARES = (0.72, 0.86, 1.0)  # of the test speed, where the rig's resonance lies


def takes(first, fault=None, shares=SHARES):
    found = []
    for number, share in enumerate(shares):
        rpm = share * CRAFT.test_rpm
        recording, _ = record(CRAFT, take=first + number, fault=fault, speed_rpm=rpm, refit=1)
        found.append(analyze(recording, replace(rig_settings(CRAFT, "prop", "contact", known=True), speed_rpm=rpm)))
    return found


@pytest.fixture(scope="module")
def sound():
    return takes(0)


def odds(now, sound):
    return over_speeds(now, sound, load_repeatability())


def test_a_force_is_there_at_every_speed(sound):
    text, weight = odds(takes(10, Fault("prop-imbalance", 12)), sound)
    assert weight < -0.5
    assert "all speeds alike" in text


def test_a_resonance_answers_at_one(sound):
    text, weight = odds(takes(20, Fault("resonance", 12)), sound)
    assert weight > 0.3
    assert "one speed alone" in text


def test_what_did_not_rise_or_was_run_at_two_speeds_says_nothing(sound):
    assert odds(takes(30), sound) is None
    assert odds(takes(40, Fault("resonance", 12), SHARES[1:]), sound) is None


def test_it_joins_the_verdict(sound):
    found = diagnose(takes(20, Fault("resonance", 12)), references=sound)
    evidence = [e.text for f in found.findings if f.condition == "resonance" for e in f.evidence]
    assert any("one speed alone" in text for text in evidence)
