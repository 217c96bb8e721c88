"""The speed's interval on craft of every kind: their speeds wander, their lines drown, and what is stated is off by up to 1 %."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.shaft_sounds import coloured, orders, walk
from vibekit.recording import Channel, Recording
from vibekit.rig import draw_craft, record
from vibekit.rig.population import ELSEWHERE, WIDE
from vibekit.rig_case import SENSORS, rig_settings
from vibekit.settings import Settings
from vibekit.speed import find_speed

SURE = 5e-3  # relative half width below which a speed is claimed to be known better than it was stated
CRAFT = 24


@pytest.mark.parametrize("test", ["bare", "prop"])
def test_the_interval_holds_the_mean_speed_of_the_take(test):
    held = claimed = 0
    for seed in range(CRAFT):
        craft, sensor = draw_craft(3_000_000 + seed, WIDE), SENSORS[seed % 3]
        recording, truth = record(craft, test=test, take=seed, sensor=sensor)
        track = find_speed(recording, rig_settings(craft, test, sensor, known=True), slice(0, recording.samples.shape[1]))
        if track.u95_hz < SURE * track.mean_hz:
            claimed += 1
            held += abs(track.mean_hz - truth.speed_hz[0].mean()) <= track.u95_hz
    assert claimed > CRAFT / 2
    assert held >= stats.binom(claimed, 0.93).ppf(0.005), (held, claimed)


def test_a_bare_motor_is_found_near_what_was_typed_and_nothing_is_where_it_does_not_turn():
    # its 1x wanders and is often the only line: 88 of 120 were found while a whole comb was asked for
    found = held = elsewhere = 0
    for seed in range(CRAFT):
        craft, sensor = draw_craft(3_100_000 + seed, ELSEWHERE), SENSORS[seed % 3]
        recording, truth = record(craft, test="bare", take=seed, sensor=sensor)
        settings = rig_settings(craft, "bare", sensor, known=True)
        track = find_speed(recording, settings)
        if track.u95_hz < SURE * track.mean_hz:
            found += 1
            held += abs(track.mean_hz - truth.speed_hz[0].mean()) <= track.u95_hz
        wrong = find_speed(recording, replace(settings, speed_rpm=0.83 * settings.speed_rpm))
        elsewhere += wrong.u95_hz < SURE * wrong.mean_hz
    assert found >= 0.85 * CRAFT, found
    assert held >= stats.binom(found, 0.93).ppf(0.005), (held, found)
    assert elsewhere <= 1, elsewhere


@pytest.mark.parametrize("seconds", [20, 70])
@pytest.mark.parametrize("seed", [0, 1])
def test_a_shaft_that_wanders_for_long_is_not_taken_for_a_steady_one(seconds, seed):
    rng = np.random.default_rng(seed)
    rate, hz = 8000.0, 80.0
    speed = walk(rng, int(seconds * rate), rate, hz, 1e-3)
    samples = (orders(rng, speed, rate, {1: -10, 2: -16, 4: -20}) + 0.1 * coloured(rng, speed.size)).astype(np.float32)
    track = find_speed(Recording(samples[None], rate, (Channel(),)), Settings(test="prop", speed_rpm=60 * hz, blades=2))
    assert abs(track.mean_hz - hz) <= 1.5 * track.u95_hz


def test_a_short_take_on_the_rig_never_trips_the_search():
    # a third of the shafts here are so slow or drowned that hardly a part of a line's skirt is free for the noise
    for seed in range(12):
        craft, sensor = draw_craft(1_000_000 + seed, WIDE), SENSORS[seed % 3]
        recording, _ = record(craft, test="prop", take=seed, sensor=sensor, duration_s=2.5)
        find_speed(recording, rig_settings(craft, "prop", sensor, known=seed % 2 == 0), slice(0, recording.samples.shape[1]))
