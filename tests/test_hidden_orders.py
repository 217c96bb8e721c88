"""Defect orders that lie among other lines: what is hidden is not taken for absent, and what hides them is not taken for a defect."""

from dataclasses import replace

import numpy as np
import pytest

from tests.open_data import motor_sound, needs_open_data
from vibekit.analysis import analyze
from vibekit.bearing import Bearing
from vibekit.capture.files import read_recording
from vibekit.diagnosis import diagnose
from vibekit.envelope import EnvelopeSpectrum
from vibekit.evidence import Evidence
from vibekit.likelihood import load_likelihoods
from vibekit.observation import Observation
from vibekit.pulses import SHOWN
from vibekit.reading import values_of
from vibekit.rig import Fault, draw_craft
from vibekit.rig_case import rig_reading
from vibekit.settings import Settings

NEAR_HALF = Bearing(9, 2.735, 12.233)  # outer race at 3.494
WHOLE = Bearing(9, 3.0, 9.0)  # inner race at 6
SEEDS = (40, 41, 72)  # what is loose pulses in the high band of the last


def bare(seed, bearing, condition, name):
    reading = rig_reading(replace(draw_craft(seed), bearing=bearing), "bare", "accelerometer", 0, Fault(condition, 8))
    return values_of([reading], name)[0]


@pytest.mark.parametrize("seed", SEEDS)
def test_what_strikes_every_other_turn_is_no_race_near_a_half_order_and_the_race_there_is_still_heard(seed):
    assert bare(seed, NEAR_HALF, "loose-mount", "outer race") < 1
    assert bare(seed, NEAR_HALF, "bearing-outer", "outer race") > 3


def test_a_race_at_a_whole_order_is_said_to_be_hidden():
    def shown(bearing):
        return np.mean([bare(seed, bearing, "bearing-inner", "inner race" + SHOWN) for seed in SEEDS])

    assert shown(WHOLE) < shown(NEAR_HALF) - 0.1


def test_what_could_not_be_seen_says_nothing():
    def ratio(shown):
        clue = Observation("inner race", "bare", 1, "", 0.0, "touch", shown=shown)
        return load_likelihoods().against_none(clue)["bearing-inner"]

    assert ratio(1.0) < ratio(0.5) < ratio(0.0) == pytest.approx(0.0, abs=1e-9)


def test_a_line_beside_a_tall_one_is_seen_and_its_skirt_is_not():
    """Bins of one Hann window: a line on its bin spreads over three, in power as 1 to 4 to 1; a skirt does not fall to the floor."""
    step, order = 0.02, np.arange(500) * 0.02
    quiet = np.random.default_rng(0).exponential(0.6, 500)
    beside, skirt = quiet.copy(), quiet.copy()
    beside[249:252] += 400, 1600, 400  # at order 5
    beside[254:257] += 25, 100, 25  # at 5.1
    skirt[249:252] += 400, 1600, 400
    skirt[252:262] += 60.0
    spectrum = EnvelopeSpectrum(order, beside, np.ones(500), 1, step, (2e3, 8e3), 0.0)
    seen, hidden = (Evidence.of(replace(spectrum, ratio=ratio), np.arange(0.0, 10), 0.35) for ratio in (beside, skirt))
    at, wide = np.array([5.1]), np.array([step])
    assert seen.line(at, wide)[0] > 5
    assert hidden.line(at, wide)[0] == 0
    assert not hidden.shows(at, wide)[0]


@needs_open_data
@pytest.mark.parametrize("start_s", [0, 5])
def test_fifty_turns_of_severe_damage_a_tenth_of_an_order_from_a_whole_one_are_a_bearing(start_s):
    """MRecio (see tests/test_open_motors.py): the line stands at 5.1, five bins of 5 s from 5."""

    def readings(fault):
        files = motor_sound(fault)
        assert files
        for file in files:
            whole = read_recording(file)
            samples = whole.samples[:, int(start_s * whole.rate_hz) : int((start_s + 5) * whole.rate_hz)]
            yield analyze(replace(whole, samples=samples), Settings(test="bare"))

    end = diagnose(list(readings("Severe_Bearing_Damage")), references=list(readings("New_Bearing"))).conclusion
    assert end.condition.startswith("bearing")
