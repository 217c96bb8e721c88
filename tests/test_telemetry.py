"""Telemetry columns: pole pairs, lag behind the vibration, and what is said of both."""

import os
import re

import numpy as np
import pytest

from tests.shaft_sounds import coloured, orders, walk
from vibekit.analysis import analyze
from vibekit.recording import Channel, Recording
from vibekit.settings import Settings
from vibekit.speed import find_speed
from vibekit.telemetry import lag_of
from vibekit.track import Track

RATE = 6_000
LEVEL_DB = {1: -8, 2: 0, 3: -12, 4: -6, 6: -12}


def told(speed_hz, lag_s, gain=1.0, every_s=0.05):
    """Column (n,) in rpm that repeats a reading until the next, each `lag_s` old, rounded to 1 rpm."""
    time = np.arange(speed_hz.size) / RATE
    taken = np.floor((time - 0.013) / every_s) * every_s + 0.013 - lag_s
    return np.round(60 * gain * np.interp(taken, time, speed_hz))


def run(seed, hz=90.0, seconds=10, wander=0.01, lag_s=0.2, gain=1.0, name="rpm", noise=0.5):
    rng = np.random.default_rng(seed)
    speed = walk(rng, seconds * RATE, RATE, hz, wander) if wander else np.full(seconds * RATE, hz)
    sound = orders(rng, speed, RATE, LEVEL_DB) + noise * coloured(rng, speed.size)
    rows = np.array([sound, told(speed, lag_s, gain)], np.float32)
    return Recording(rows, RATE, (Channel(), Channel("telemetry", "rpm", name))), speed


@pytest.mark.parametrize("lag_s", [0.0, 0.12, 0.35])
def test_the_lag_is_found_and_taken_out(lag_s):
    recording, speed = run(3, lag_s=lag_s)
    track = find_speed(recording, Settings(test="prop", blades=2))
    (note,) = track.notes
    assert note.startswith("telemetry rpm: comes ")
    assert float(note.split()[3]) == pytest.approx(lag_s, abs=0.01)
    time = np.arange(speed.size) / RATE
    assert np.sqrt(np.mean((track.at(time) - speed)[RATE:-RATE] ** 2)) < 0.05  # a lag of 0.1 s would make it 0.3


def test_a_speed_that_holds_tells_no_lag():
    recording, _ = run(4, wander=0.0)
    assert find_speed(recording, Settings(test="prop", blades=2)).notes == ()
    recording, _ = run(4, wander=4e-3, noise=30.0)  # the vibration is drowned
    (note,) = find_speed(recording, Settings(test="prop", blades=2)).notes
    assert note == "telemetry rpm: its lag behind the vibration does not show, none is taken out"


@pytest.mark.parametrize(("name", "poles"), [("eRPM", 14), ("rpm", None), ("rpm", 14)])
def test_electrical_speed_is_divided_by_the_pole_pairs(name, poles):
    recording, speed = run(5, gain=7.0, name=name)
    track = find_speed(recording, Settings(test="prop", blades=2, poles=poles))
    assert track.mean_hz == pytest.approx(speed.mean(), rel=2e-3)
    assert "7 pole pairs" in track.notes[0]


def test_a_column_that_fits_no_pole_pairs_is_contradicted():
    recording, _ = run(6, gain=1.37)
    track = find_speed(recording, Settings(test="prop", blades=2))
    assert re.fullmatch(r"telemetry rpm says 739[78] rpm, the recording runs at 540[01]", track.contradiction)
    assert find_speed(run(6)[0], Settings(test="prop", blades=2)).contradiction is None


def test_electrical_speed_without_poles_is_not_taken_for_the_shafts():
    rng = np.random.default_rng(7)
    rows = np.array([coloured(rng, 5 * RATE), np.full(5 * RATE, 42_000.0)], np.float32)
    assert find_speed(Recording(rows, RATE, (Channel(), Channel("telemetry", "rpm", "eRPM"))), Settings()) is None


def test_what_was_done_stands_in_the_log_of_the_reading():
    recording, _ = run(8, seconds=8, gain=7.0, name="eRPM")
    log = analyze(recording, Settings(test="prop", blades=2, poles=14)).log
    assert any("electrical speed over 7 pole pairs" in line for line in log)
    assert any("after the vibration, moved back by that" in line for line in log)


COUNT = int(os.environ.get("VIBEKIT_LAGS", "80"))


@pytest.mark.parametrize("seconds", [8.0, 20.0])
@pytest.mark.parametrize(("noise", "memory_s", "every_s"), [(0.02, 0.1, 0.1), (0.1, 0.5, 0.05), (0.4, 0.5, 0.05), (0.1, 1.0, 0.05)])
def test_the_interval_of_a_lag_holds(noise, memory_s, every_s, seconds):
    """Speeds in Hz that walk at random over a third of a second, read with errors alike over `memory_s`; VIBEKIT_LAGS cases a stratum."""
    rng, held, step = np.random.default_rng(int(1000 * (noise + memory_s + seconds))), [], 0.01
    time = np.arange(0, seconds, step)
    smooth = np.hanning(32)[1:-1] / np.hanning(32).sum()
    for _ in range(COUNT):
        true = 90 + np.convolve(np.cumsum(rng.standard_normal(time.size + 29)) * np.sqrt(step), smooth, mode="valid")
        alike = round(memory_s / step)
        wrong = noise * np.convolve(rng.standard_normal(time.size + alike - 1), np.full(alike, alike**-0.5), mode="valid")
        lag = rng.uniform(0, 0.5)
        taken = np.arange(0, seconds, every_s)
        column = Track(taken, np.round(60 * np.interp(taken - lag, time, true)) / 60)
        found = lag_of(column, Track(time[::5], (true + wrong)[::5]))
        if found:
            held.append(abs(found[0] - lag) < found[1])
    assert len(held) > 0.3 * COUNT
    assert np.mean(held) >= 0.95 - 3 * np.sqrt(0.0475 / len(held))
