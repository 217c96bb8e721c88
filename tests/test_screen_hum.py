"""Mains hum and wind, told from shafts."""

import numpy as np
import pytest

from tests.machine_sounds import bench, machine, recorded
from tests.screened import ANY, RATE, SLOWER, found, share
from vibekit.screening import screen
from vibekit.settings import Settings


@pytest.mark.parametrize("mains", [50.02, 59.97])
@pytest.mark.parametrize("level", [0.01, 0.03])
def test_hum_is_found_and_named(mains, level):
    def humming(seed):
        _, x = bench(seed, 6, SLOWER)
        turn = 2 * np.pi * mains * np.arange(x.size) / SLOWER
        return recorded(x + sum(level / k * np.cos(k * turn + k) for k in (1, 2, 3, 5)), SLOWER)

    assert share(humming, "hum", severity="note") >= 0.8
    detail = {p.code: p.detail for p in screen(humming(1), ANY).problems}["hum"]
    assert f"fit {round(mains)} Hz mains hum" in detail


def test_a_shaft_is_not_hum_when_its_speed_is_typed():
    turn = 2 * np.pi * 50 * np.arange(6 * RATE) / RATE
    x = sum(0.1 / k * np.cos(k * turn + k) for k in range(1, 7)) + 0.001 * np.random.default_rng(0).standard_normal(turn.size)
    assert "hum" in found(recorded(x, RATE))
    assert "hum" not in found(recorded(x, RATE), Settings(speed_rpm=3000))


def test_a_comb_finer_than_mains_is_the_shafts():
    """Lines at every multiple of 20 Hz hold 60, 120 and 180 Hz too."""
    turn = 2 * np.pi * 20 * np.arange(6 * RATE) / RATE
    x = sum(0.05 * np.cos(k * turn + k) for k in range(1, 20)) + 0.001 * np.random.default_rng(0).standard_normal(turn.size)
    assert "hum" not in found(recorded(x, RATE))


def test_wind_is_told_from_a_slow_shaft():
    def windy(seed):
        rng, x = bench(seed, 6, SLOWER)
        f = np.fft.rfftfreq(x.size, 1 / SLOWER)
        gusts = np.fft.irfft(np.fft.rfft(rng.standard_normal(x.size)) * (f > 1) / np.maximum(f, 1) ** 1.5, x.size)
        return recorded(0.3 * x + gusts / gusts.std() * x.std(), SLOWER)

    assert share(windy, "wind", severity="warning") >= 0.9
    for seed in range(8):
        rng = np.random.default_rng(seed)
        slow = 0.2 * machine(rng, SLOWER, 6, shaft=rng.uniform(4, 20), struck=False)
        assert "wind" not in found(recorded(slow, SLOWER))
    assert "wind" not in found(windy(0), Settings(sensor="contact"))
