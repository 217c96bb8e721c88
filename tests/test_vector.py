"""The vector of 1x: amplitude, phase and their intervals, in white and coloured noise. VIBEKIT_INTERVALS=2000 draws as many recordings."""

import os

import numpy as np
import pytest
from scipy import stats

from tests.shaft_sounds import coloured
from vibekit.vector import _with_phase

CASES = int(os.environ.get("VIBEKIT_INTERVALS", "100"))
RATE = 2000


@pytest.mark.parametrize("seconds", [2, 8])
@pytest.mark.parametrize("kind", ["white", "coloured"])
def test_intervals_hold_amplitude_and_phase(seconds, kind):
    """Bound of either part's standard error: sigma sqrt(2 / N) (Kay, Estimation Theory (1993), example 3.14); Hann blocks cost some."""
    rng, n, held, width = np.random.default_rng(seconds), seconds * RATE, [], []
    for _ in range(CASES):
        turns = rng.uniform(50, 60) * np.arange(n) / RATE + rng.uniform()
        noise = rng.standard_normal(n) if kind == "white" else coloured(rng, n)
        true = 0.5 * np.exp(2j * np.pi * rng.uniform())
        value, error = _with_phase((true * np.exp(2j * np.pi * turns)).real + noise, turns)
        u95 = 1.96 * error / np.sqrt(2)
        held.append((abs(abs(value) - abs(true)) <= u95, abs(np.angle(value / true)) * abs(true) <= u95))
        width.append(u95)
    inside = np.sum(held, axis=0)
    assert np.all((inside >= stats.binom(CASES, 0.93).ppf(0.001)) & (inside <= stats.binom(CASES, 0.97).ppf(0.999))), inside / CASES
    assert kind == "coloured" or np.median(width) < 1.25 * 1.96 * np.sqrt(2 / n)
