"""A bare recording that was said to be with a propeller: the rig is the truth; asked is only where both lines of the blades are missing."""

from dataclasses import replace

import pytest

from vibekit.analysis import analyze
from vibekit.reading import OrderLine
from vibekit.rig import draw_craft, record
from vibekit.rig.population import ELSEWHERE
from vibekit.rig_case import rig_settings
from vibekit.screen.blade_pass import check_blade_pass
from vibekit.settings import Settings


def asked(craft, test, sensor):
    """What is asked of a recording that was said to be with a propeller."""
    recording, _ = record(craft, rotor=0, test=test, take=0, sensor=sensor, duration_s=6.0)
    reading = analyze(recording, replace(rig_settings(craft, "prop", sensor, known=True), test="prop"))
    return [p.detail for p in reading.screening.problems if p.code == "no-blade-pass"]


@pytest.mark.parametrize("seed", [5001, 5003])
def test_a_bare_recording_said_to_be_with_a_propeller_is_asked_about(seed):
    craft = draw_craft(seed)
    (question,) = asked(craft, "bare", "microphone")
    assert question.startswith("Neither ")
    assert "was it run bare?" in question
    assert "--test bare" in question


@pytest.mark.parametrize("seed", [6100, 6107])
@pytest.mark.parametrize("sensor", ["microphone", "contact"])
def test_with_a_propeller_nothing_is_asked(seed, sensor):
    """Those of 46 recordings of other craft whose blade pass stood least clear: five blades, felt by touch."""
    assert asked(draw_craft(seed, ELSEWHERE), "prop", sensor) == []


def test_where_the_rotor_itself_hardly_shows_or_the_blades_are_not_known_nothing_is_asked():
    def lines(once):
        return [OrderLine(o, f"{o:g}x", a, 0.01, "FS", 0.1) for o, a in ((1.0, once), (2.0, 0.05), (4.0, 0.02))]

    told = Settings(test="prop", blades=2)
    assert len(check_blade_pass(lines(1.0), told)) == 1
    assert check_blade_pass(lines(0.2), told) == ()
    assert check_blade_pass(lines(1.0), replace(told, blades=None)) == ()
    assert check_blade_pass(lines(1.0), replace(told, test="bare")) == ()
    assert check_blade_pass(lines(1.0)[:2], told) == ()  # twice the blade pass lies above what the sensor gives
