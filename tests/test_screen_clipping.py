"""Clipping, made at known severity."""

import numpy as np
import pytest

from tests.machine_sounds import bench, recorded
from tests.screened import ANY, RATE, found, share
from vibekit.screening import screen


@pytest.mark.parametrize(("cut", "severity"), [(0.002, "warning"), (0.01, "warning"), (0.05, "warning"), (0.3, "stop")])
@pytest.mark.parametrize("scale", [1.0, 0.4])
def test_clipping_is_found_at_full_scale_and_in_a_file_made_quieter_since(cut, severity, scale):
    def clipped(seed):
        _, x = bench(seed)
        return recorded(np.clip(x / np.quantile(np.abs(x), 1 - cut), -1, 1) * scale, RATE)

    assert share(clipped, "clipping", severity=severity) == 1
    assert share(clipped, "jump") == 0


def test_clipping_of_one_side_says_which():
    _, x = bench(3)
    texts = [screen(recorded(sign * np.minimum(x, np.quantile(x, 0.99)), RATE), ANY).problems[0].detail for sign in (1, -1)]
    assert "at the top only" in texts[0]
    assert "at the bottom only" in texts[1]


def test_a_sine_is_no_clipping_and_a_clipped_sine_is():
    turn = 2 * np.pi * 101.37 / RATE * np.arange(4 * RATE)
    for level in (0.01, 0.2, 0.9):
        sine = level * np.sin(turn) + 3e-5 * np.random.default_rng(0).standard_normal(turn.size)
        assert "clipping" not in found(recorded(sine, RATE))
        assert "clipping" in found(recorded(np.clip(sine, -0.95 * level, 0.95 * level), RATE))


def test_clipping_in_a_knock_only_is_noted():
    _, x = bench(5)
    x[60_000:60_200] += 3 * np.exp(-np.arange(200) / 40) * np.cos(np.arange(200))
    assert found(recorded(x, RATE))["clipping"] == "note"


def test_a_struck_phone_at_the_end_of_its_range_is_clipped():
    """Single samples at one value, both ends alike: what a ±2 g sensor at 100 Hz does when it is struck harder."""
    rng = np.random.default_rng(2)
    x = 9.81 + 3 * rng.standard_normal(1800)
    x[rng.integers(0, 1800, 40)] *= 3
    step = 19.65 / 511
    assert found(recorded(np.clip(np.round(x / step) * step, -19.65, 19.65), 99.3, bits=0, unit="m/s2"))["clipping"] == "warning"
