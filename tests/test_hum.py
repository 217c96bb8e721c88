"""Mains hum beside the orders of a shaft that turns at nearly a multiple of it: 100 Hz of hum, 99.7 turns a second."""

from dataclasses import replace

import numpy as np
import pytest

from vibekit.analysis import analyze
from vibekit.diagnosis import diagnose
from vibekit.hum import hum_orders, mains_of
from vibekit.orders import angular_signal
from vibekit.powers import line_power
from vibekit.rig import draw_craft, record
from vibekit.rig.disturbance import Disturbance
from vibekit.settings import Settings
from vibekit.transform import Transform

RATE, SECONDS, SHAFT_HZ = 8000.0, 10.0, 49.7
TIME = np.arange(int(SECONDS * RATE)) / RATE
CASES = range(6)


def test_the_power_of_a_line_of_hum_is_half_the_square_of_its_peak():
    """Parseval's theorem: a sine of amplitude A has the mean square A^2 / 2."""
    noise = 1e-3 * np.random.default_rng(0).standard_normal(TIME.size)
    transform = Transform.of((0.3 * np.sin(2 * np.pi * 50.02 * TIME) + noise).astype(np.float32), RATE)
    ((order, power),) = hum_orders(transform, [50.02], 25.01)
    assert order == pytest.approx(2.0)
    assert power == pytest.approx(0.3**2 / 2, rel=0.03)


def test_only_hum_with_one_of_the_lowest_multiples_is_hum():
    """Rectifiers make even multiples of mains, 100 Hz first of them (common practice, no source)."""
    assert mains_of([100.01, 300.02, 700.0]) == [100.01, 300.02, 700.0]
    assert mains_of([1020.4, 1139.6]) == []
    assert mains_of([60.0, 350.1]) == [60.0]


def test_hum_beside_an_order_is_no_line_of_the_shaft():
    rng = np.random.default_rng(1)
    for at in (49.7, 50.0):
        x = 0.2 * np.sin(2 * np.pi * at * TIME) + 0.02 * rng.standard_normal(TIME.size)
        transform = Transform.of(x.astype(np.float32), RATE)
        signal = angular_signal(transform, (TIME, SHAFT_HZ * TIME), max_order=6, unit="g")
        bare = line_power(signal.spectrum(), 1.0)
        line = line_power(replace(signal, hum=hum_orders(transform, [50.0], SHAFT_HZ)).spectrum(), 1.0)
        assert bare.power == pytest.approx(0.02, rel=0.02)  # blocks of 62 turns cannot part the two
        if at == 50.0:
            assert abs(line.power) < 1.96 * line.error
        else:
            assert line.power == pytest.approx(0.02, rel=0.03)


def test_a_sound_motor_is_not_called_hurt_for_hum_that_falls_on_its_half_orders():
    for seed in CASES:
        craft = replace(draw_craft(8_100_000 + seed), test_rpm=5982.0)
        settings = Settings(test="bare", speed_rpm=5982.0, poles=craft.poles)
        past = [analyze(record(craft, test="bare", take=take, duration_s=6)[0], settings) for take in range(2)]
        humming = [record(craft, test="bare", take=take, duration_s=6, disturbance=Disturbance(hum=0.5))[0] for take in (2, 3)]
        now = [analyze(recording, settings) for recording in humming]
        assert any("mains hum at 50.0" in line for reading in now for line in reading.log)
        assert diagnose(now, references=past).conclusion.condition in ("healthy", "undecided")
