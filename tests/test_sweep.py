"""Run-ups without a tacho: the envelope of each order as with one, however quiet the slow end; which multiple of the path turns."""

import os

import numpy as np
import pytest

from tests.shaft_sounds import coloured, orders
from tests.test_tracking import RATE, SPEED, TIME, TURNS, N, through_modes
from vibekit.recording import Channel, Recording
from vibekit.settings import Settings
from vibekit.speed import find_speed
from vibekit.tracking import track_orders

COUNT = int(os.environ.get("VIBEKIT_RUN_UPS", "1"))


def recording(x, rate=RATE):
    return Recording(np.array([x], np.float32), rate, (Channel(unit="g"),))


def through(mode, sd, seed):
    """Orders 1, 2 and 3 of a run-up from 10 to 200 Hz in 10 s through a mode of 5 % damping, and each order's own wave, (N,) complex."""
    rng = np.random.default_rng(seed)
    truth = {
        k: through_modes(k, [(mode, 0.05), (320.0, 0.06)], a * np.exp(2j * np.pi * rng.random())) for k, a in ((1, 1.0), (2, 0.5), (3, 0.3))
    }
    return sum(y.real for y in truth.values()) + rng.normal(0, sd, N), truth


@pytest.mark.parametrize(("mode", "sd"), [(25.0, 0.01), (50.0, 0.02), (110.0, 0.05)])
def test_orders_of_a_run_up_come_out_as_with_a_tacho(mode, sd):
    """Within 3 % or three standard deviations, phase of order k less k times that of order 1 within 2 degrees, in 95 % of points."""
    held = []
    for seed in range(COUNT):
        x, truth = through(mode, sd, seed)
        track = find_speed(recording(x), Settings("run-up"))
        assert track.time_s[0] < 0.5
        ends = track.time_s[[0, -1]]
        held.append(abs(track.mean_hz - (10 + 9.5 * ends.sum())) < track.u95_hz)
        turns = track.turns(TIME)
        found = track_orders(x, RATE, [k * turns for k in truth], np.minimum(0.4 * track.at(TIME), 25.0))
        inside = (found[0].time_s > 0.3) & (found[0].time_s < 9.7)
        first = None
        for order, (k, y) in zip(found, truth.items(), strict=True):
            still = y * np.exp(-2j * np.pi * k * TURNS)
            true = np.interp(order.time_s, TIME, still.real) + 1j * np.interp(order.time_s, TIME, still.imag)
            off = np.abs(order.amplitude - np.abs(true))
            assert np.mean((off <= np.maximum(0.03 * np.abs(true), 3 * order.amplitude_u95 / 1.96))[inside]) >= 0.95
            first = first or (order, true)
            turned = np.angle(np.exp(1j * (order.phase - k * first[0].phase)) * np.conj(true) * first[1] ** k)
            allowed = 3 / 1.96 * np.hypot(order.phase_u95, k * first[0].phase_u95)
            assert np.mean((np.abs(turned) <= np.maximum(np.radians(2), allowed))[inside]) >= 0.95
    assert np.mean(held) >= 0.9


def test_a_coast_down_and_a_shaft_that_stands_still_first():
    x, _ = through(50.0, 0.02, 3)
    down = find_speed(recording(x[::-1].copy()), Settings("run-up"))
    assert np.mean(np.abs(down.at(TIME) / SPEED[::-1] - 1)[200:-1_000] < 0.03) > 0.95
    rng = np.random.default_rng(4)
    waited = find_speed(recording(np.concatenate([rng.normal(0, 0.02, 3 * int(RATE)), x])), Settings("run-up"))
    assert 2.5 < waited.time_s[0] < 3.6  # nothing is claimed of the time before
    assert np.mean(np.abs(waited.at(TIME + 3) / SPEED - 1)[1_500:-200] < 0.03) > 0.95


BLADES = {2: {1: -8, 2: 0, 3: -12, 4: -6, 6: -12}, 3: {1: -8, 2: -12, 3: 0, 4: -14, 6: -6}, 1: {1: 0, 2: -6, 3: -9, 4: -14, 5: -16}}


@pytest.mark.parametrize("blades", BLADES)
def test_blade_pass_is_not_taken_for_the_shaft(blades):
    rate = 6_000
    for seed in range(COUNT):
        rng = np.random.default_rng(seed)
        first, last = rng.uniform(15, 60), rng.uniform(120, 280)
        time = np.arange(6 * rate) / rate
        speed = first + (last - first) * (1 - np.exp(-time / 2.5)) / (1 - np.exp(-6 / 2.5))  # as a motor takes up speed
        level = {k: db + 4 * rng.standard_normal() for k, db in BLADES[blades].items()}
        x = orders(rng, speed, rate, level) * (speed / last) ** 2 + 0.05 * coloured(rng, time.size)
        track = find_speed(recording(x, rate), Settings("run-up", blades=blades))
        inside = (time > max(track.time_s[0], 0.3)) & (time < min(track.time_s[-1], 5.7))
        assert inside.mean() > 0.85
        assert np.mean(np.abs(track.at(time) / speed - 1)[inside] < 0.03) > 0.95


@pytest.mark.parametrize(
    "sound", [np.zeros(12_000), np.random.default_rng(5).standard_normal(12_000), np.ones(600)], ids=["0", "noise", "short"]
)
def test_nothing_is_claimed_where_nothing_turns(sound):
    assert find_speed(recording(sound), Settings("run-up")) is None
