"""What changes a level: noise suppression, gain control, few steps, an offset."""

import numpy as np
import pytest

from tests.machine_sounds import bench, converted, machine, recorded
from tests.screened import ANY, RATE, SLOWER, found, share
from vibekit.screening import screen


@pytest.mark.parametrize("fall", [5, 8, 15])
def test_noise_suppression_that_learns_the_motor_away_is_found(fall):
    def suppressed(seed):
        _, x = bench(seed, 8, SLOWER, wander=0.003)
        return recorded(x * 10 ** (-fall / 20 * (1 - np.exp(-np.arange(x.size) / SLOWER / 1.5))), SLOWER)

    assert share(suppressed, "noise-suppression", severity="warning") >= 0.85


@pytest.mark.parametrize("swing", [5, 10])
def test_pumping_gain_is_found_and_makes_levels_incomparable(swing):
    def pumped(seed):
        rng, x = bench(seed, 10, SLOWER, wander=0.003)
        gain = swing / 2 * np.sin(2 * np.pi * np.arange(x.size) / SLOWER / rng.uniform(3, 7) + rng.uniform(0, 6))
        return recorded(x * 10 ** (gain / 20), SLOWER)

    screened = [screen(pumped(seed), ANY) for seed in range(10)]
    told = [any(p.code in ("gain-control", "noise-suppression") for p in s.problems) for s in screened]
    assert np.mean(told) >= 0.9
    assert [s.levels_comparable for s in screened] == [not t for t in told]


def test_a_motor_that_speeds_up_is_no_gain_control():
    """All bands rise as much here, but the pitch goes with them."""
    rng = np.random.default_rng(0)
    time = np.arange(10 * SLOWER) / SLOWER
    hz = 120 + 30 * np.sin(2 * np.pi * time / 7)
    turns = np.cumsum(hz) / SLOWER
    pace = hz / hz.mean()
    x = sum(0.3 / k * pace**2 * np.sin(2 * np.pi * k * turns + k) for k in range(1, 8)) + 0.1 * pace**2.5 * rng.standard_normal(time.size)
    x = 0.1 * converted(x) + 0.002 * rng.standard_normal(time.size)
    assert not {"gain-control", "noise-suppression"} & found(recorded(x, SLOWER)).keys()


@pytest.mark.parametrize(("steps", "warned"), [(1, True), (3, True), (6, False), (50, False)])
def test_a_level_of_few_steps_is_told(steps, warned):
    _, x = bench(6)
    assert ("low-level" in found(recorded(x / x.std() * steps * 2.0**-15, RATE))) is warned


def test_an_offset_is_told_but_gravity_is_none():
    _, x = bench(7)
    assert found(recorded(x + 0.2, RATE))["offset"] == "note"
    for mean, told in ((9.81, False), (-9.7, False), (14.0, True)):
        slow = machine(np.random.default_rng(1), 400, 10) + mean
        assert ("offset" in found(recorded(slow, 400, bits=0, unit="m/s2"))) is told
