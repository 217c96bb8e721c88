import importlib

import numpy as np
import pytest
import soundfile

from tests.open_data import manifest, needs_open_data, path
from tests.shaft_sounds import coloured, orders, walk
from vibekit.hover import hover_speed
from vibekit.reading import SpeedResult
from vibekit.rig import draw_craft
from vibekit.rotors import rotor_tracks
from vibekit.wording import speed_words

RATE = 12_000
LEVEL_DB = {1: -6, 2: 0, 4: -5, 6: -10, 8: -14}
rig_record = importlib.import_module("vibekit.rig.record")


def flight(rng, speeds_hz, seconds=8.0, wander=1e-3, noise_db=-3.0):
    n = int(seconds * RATE)
    speeds = [walk(rng, n, RATE, hz, wander) for hz in speeds_hz]
    sound = sum(orders(rng, speed, RATE, LEVEL_DB) for speed in speeds) + 10 ** (noise_db / 20) * coloured(rng, n)
    return sound.astype(np.float32), np.array(speeds)


def told_apart(sound, speeds, blades=2):
    return rotor_tracks([sound], RATE, float(np.mean(speeds)), blades)


@pytest.mark.parametrize("apart", [(5.0,), (1.2, 2.0), (1.5, 1.0, 3.1), (1.3, 2.2, 1.0, 4.0, 1.6), (2.5,) * 7])
def test_two_to_eight_rotors_a_hertz_and_more_apart_are_told_apart(apart):
    rng = np.random.default_rng(len(apart))
    sound, speeds = flight(rng, 110 + np.concatenate(([0.0], np.cumsum(apart))))
    found = told_apart(sound, speeds)
    assert [track.mean_hz for track, _ in found] == pytest.approx(sorted(speeds.mean(axis=1)), abs=0.2)
    for (track, u95), speed in zip(found, speeds, strict=True):
        assert abs(track.mean_hz - speed.mean()) < u95
        time = np.arange(speed.size) / RATE
        inside = (time > track.time_s[0]) & (time < track.time_s[-1])
        assert np.mean(np.abs(track.at(time) - speed)[inside] < 0.5) > 0.9


@pytest.mark.parametrize("blades", [2, 3, 4])
@pytest.mark.parametrize("count", [2, 4, 8])
def test_the_mean_speed_is_the_shafts_though_blade_pass_drowns_it(count, blades):
    """1x and its other multiples 14 to 20 dB below blade pass, blades known or not; then 1x and its harmonics, no blade pass."""
    rng = np.random.default_rng(10 * count + blades)
    n, speeds = 6 * RATE, 95 + np.cumsum(rng.uniform(0.5, 2.5, count))
    alike = {k: -14 - k for k in range(1, 2 * blades)} | {blades * k: -4 * (k - 1) for k in (1, 2, 3)}
    for level in (alike, {1: 0, 2: -12, 3: -16}):
        sound = sum(orders(rng, walk(rng, n, RATE, hz, 2e-3), RATE, level) for hz in speeds) + 0.5 * coloured(rng, n)
        for known in (None, blades):
            mean, u95 = hover_speed([sound], RATE, known)
            assert abs(mean - speeds.mean()) < max(u95, 0.05 * mean), (level, known)


def test_rotors_that_cannot_be_told_apart_count_as_one():
    sound, speeds = flight(np.random.default_rng(20), (110.0, 110.1, 116.0))
    assert len(told_apart(sound, speeds)) == 2


def test_one_rotor_is_one_and_noise_is_none():
    rng = np.random.default_rng(21)
    sound, speeds = flight(rng, (120.0,))
    assert len(told_apart(sound, speeds)) == 1
    assert rotor_tracks([coloured(rng, 8 * RATE)], RATE, 120.0, 2) == []
    assert rotor_tracks([np.zeros(8 * RATE, np.float32)], RATE, 120.0, None) == []
    assert rotor_tracks([sound[:2_000]], RATE, 120.0, 2) == []


def test_rig_flights_give_four_tracks_where_four_can_be_told(monkeypatch):
    """Speeds 0.3 to 8 Hz apart, each wandering by 0.1 to 1 %. Counted where no two come within 1 Hz at any time."""
    monkeypatch.setattr(rig_record, "APART_HZ", (0.3, 8.0))
    right = []
    for seed in range(14):
        craft = draw_craft(7_000 + seed)
        recording, truth = rig_record.record(craft, test="flight", duration_s=8.0)
        speeds = truth.speed_hz[np.argsort(truth.speed_hz.mean(axis=1))]
        if np.diff(speeds, axis=0).min() < 1:
            continue
        found = rotor_tracks(list(recording.samples), recording.rate_hz, float(speeds.mean()), craft.blades)
        means = [track.mean_hz for track, _ in found]
        right.append(len(means) == 4 and np.abs(np.array(means) - speeds.mean(axis=1)).max() < 0.2)
    assert len(right) >= 5
    assert np.mean(right) >= 0.95


def test_the_rotors_reach_the_reader():
    told = SpeedResult("estimated", 7_000.0, 140.0, 7_000.0, 7_000.0, rotors=((6_900.0, 12.0), (7_060.0, 12.0)))
    assert speed_words(told).endswith("; 2 rotors told apart: 6900 and 7060 rpm")
    unsure = SpeedResult("none", candidates=((7_079.0, 0.6), (1_486.0, 0.3)))
    assert speed_words(unsure) == "shaft speed not known: 7079 rpm (60 %) or 1486 rpm (30 %)"


@needs_open_data
def test_rotors_of_open_flights_lie_about_their_hover_speed():
    """Four rotors that wander by several hertz, 1x at 110 to 132 Hz: never more than four are claimed."""
    for row in manifest("flights")[:3]:
        samples, rate = soundfile.read(path(row["file"]), dtype="float32", start=20 * 16_000, frames=12 * 16_000)
        mean, _ = hover_speed([samples], rate)
        found = rotor_tracks([samples], rate, mean, 2)
        assert len(found) <= 4, row["file"]
        assert all(95 < track.mean_hz < 145 for track, _ in found), row["file"]
