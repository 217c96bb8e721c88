"""Mean speed of the rotors on flights of the rig, with sensors as fast as a microphone and as slow as a flight log's."""

from dataclasses import replace

import numpy as np
import pytest

from vibekit.analysis import analyze
from vibekit.rig import draw_craft
from vibekit.rig.flight_sound import flight_sound
from vibekit.rig.population import ELSEWHERE, USUAL, WIDE
from vibekit.rig_case import SENSORS
from vibekit.settings import Settings
from vibekit.wording import speed_words

FLIGHTS = range(40)


def flights(rate_hz, known):
    """(mean speed, speed result) of flights without a fault."""
    for seed in FLIGHTS:
        craft = draw_craft(seed, (USUAL, WIDE, ELSEWHERE)[seed % 3])
        recording, rotors = flight_sound(craft, SENSORS[seed % 3], (), 0, rate_hz=rate_hz)
        yield 60 * rotors.speed_hz.mean(), analyze(recording, Settings(test="flight", blades=craft.blades if known else None)).speed


@pytest.mark.parametrize(
    ("rate_hz", "known", "found"), [(6000.0, True, 0.8), (6000.0, False, 0.65), (1000.0, True, 0.5), (400.0, False, 0.2)]
)
def test_a_speed_that_is_claimed_is_right_and_another_that_may_be_stands_beside_it(rate_hz, known, found):
    said = list(flights(rate_hz, known))
    claimed = [(true, speed) for true, speed in said if speed.rpm is not None]
    right = [(true, speed) for true, speed in claimed if abs(speed.rpm / true - 1) < 0.15]
    assert len(right) >= found * len(said)
    assert len(claimed) - len(right) <= 0.1 * len(said)
    assert np.mean([abs(speed.rpm - true) < speed.rpm_u95 for true, speed in right]) > 0.85
    assert all(sum(chance for _, chance in speed.candidates) < 1.001 for _, speed in said)


def test_a_speed_that_is_not_sure_is_not_claimed_and_both_are_named():
    unsure = next(speed for _, speed in flights(400.0, known=False) if speed.rpm is None and len(speed.candidates) > 1)
    assert " or " in speed_words(unsure)
    assert unsure.rotors == ()


def test_noise_has_no_speed():
    craft = draw_craft(0)
    recording, _ = flight_sound(craft, "contact", (), 0, rate_hz=4000.0)
    noise = np.random.default_rng(1).standard_normal(recording.samples.shape).astype(np.float32)
    assert analyze(replace(recording, samples=noise), Settings(test="flight")).speed.rpm is None
