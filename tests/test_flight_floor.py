"""The noise beneath a flight's lines is found though they fill whole bands: powers made here, their noise known."""

import numpy as np
import pytest

from vibekit.flight_floor import HILL, floor_between

STEP_HZ, NOISE = 0.5, 3.0


def powers(speed_hz, apart=0.07, seed=0):
    """Averaged noise, and orders 1 to 4 of rotors that turn as far apart from their mean, a thousand times as strong."""
    rng = np.random.default_rng(seed)
    hz = np.arange(4000) * STEP_HZ
    power = NOISE * rng.gamma(30, 1 / 30, hz.size)
    lines = np.any([np.abs(hz - k * speed_hz) < apart * k * speed_hz for k in range(1, 5)], axis=0) if speed_hz else np.zeros(hz.size, bool)
    return power + 1000 * NOISE * lines, lines


def test_of_noise_alone_it_is_the_median():
    assert floor_between(powers(None)[0], STEP_HZ) == pytest.approx(NOISE, rel=0.15)


@pytest.mark.parametrize("speed_hz", np.geomspace(80, 320, 13))
def test_lines_that_fill_a_narrow_block_are_not_taken_for_noise(speed_hz):
    for low in (0, 90):  # a band that begins elsewhere puts its blocks elsewhere
        power, lines = (each[low:] for each in powers(speed_hz))
        floor = floor_between(power, STEP_HZ, low * STEP_HZ)
        assert floor.max() < 1.3 * HILL * NOISE
        assert floor.min() > 0.7 * NOISE
        assert np.all(power[lines] > 100 * floor[lines])


def test_a_band_shorter_than_a_block_has_a_floor():
    assert floor_between(powers(None)[0][:12], STEP_HZ, 100.0) == pytest.approx(NOISE, rel=0.3)
