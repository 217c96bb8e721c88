"""The amplitude of a line and its interval, in every stratum of noise, wander and length.

Truth: the least-squares fit of a sinusoid of known frequency has the variance 2 sigma^2 / N (Kay, Estimation Theory (1993), example 3.14).
2 000 recordings a stratum with VIBEKIT_STRATUM=2000, 30 by default, held to what chance leaves in so few.
"""

import os
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from vibekit.order_line import order_lines
from vibekit.orders import angular_signal
from vibekit.transform import Transform

RATE, SHAFT_HZ = 1500.0, 50.0
COUNT = int(os.environ.get("VIBEKIT_STRATUM", "30"))
AGREED = stats.binom(COUNT, 0.95).interval(0.999)  # of so many recordings, how many a 95 % interval may hold


def coloured(rng, n, slope):
    """Noise of standard deviation 1 where it is white; else its density at 1x is that of the white one. Shape (n,)."""
    bins = np.fft.rfft(rng.standard_normal(n))
    return np.fft.irfft(bins * (np.maximum(np.fft.rfftfreq(n, 1 / RATE), RATE / n) / SHAFT_HZ) ** (-slope / 2), n)


def spectrum(rng, seconds, amplitude, *, slope=0.0, wander=0.0, jitter=0.0):
    """Order spectrum of 1x in noise; jitter: how far the stated angle walks from the true one, turns a second's root."""
    n = int(seconds * RATE)
    time = np.arange(n) / RATE
    turns = np.cumsum(SHAFT_HZ * (1 + wander * np.sin(2 * np.pi * rng.uniform(0.1, 0.5) * time + rng.uniform(0, 6)))) / RATE
    x = amplitude * np.cos(2 * np.pi * turns + rng.uniform(0, 2 * np.pi)) + coloured(rng, n, slope)
    stated = turns + jitter * np.cumsum(rng.standard_normal(n)) / np.sqrt(RATE)
    every = slice(None, None, 20)
    return angular_signal(Transform.of(x, RATE), (time[every], stated[every]), max_order=8, unit="g").spectrum()


@pytest.mark.parametrize("seconds", [2.5, 10.0])
@pytest.mark.parametrize("slope", [0.0, 2.0], ids=["white", "coloured"])
@pytest.mark.parametrize("wander", [0.0, 0.01])
@pytest.mark.parametrize("errors", [1.5, 5, 30])
def test_the_interval_covers_and_is_no_wider_than_it_must_be(seconds, slope, wander, errors):
    rng = np.random.default_rng(round(1000 * seconds + 100 * slope + 1e4 * wander + errors))
    bound = np.sqrt(2 / (seconds * RATE))
    amplitude = errors * bound
    found = [order_lines(spectrum(rng, seconds, amplitude, slope=slope, wander=wander), [(1.0, "1x", 0.0)])[0] for _ in range(COUNT)]
    inside = sum(abs(line.amplitude - amplitude) <= line.u95 for line in found)
    assert inside >= AGREED[0]
    if errors > 3:
        assert inside <= max(AGREED[1], 0.98 * COUNT)  # near nothing an interval must reach down to it, and covers more
        assert np.median([line.u95 for line in found]) < 1.25 * 1.96 * bound


@pytest.mark.parametrize("jitter", [0.03, 0.1, 0.2])
def test_an_angle_that_is_not_known_well_gives_the_phase_up_before_it_costs_amplitude(jitter):
    rng = np.random.default_rng(round(100 * jitter))
    seen = [spectrum(rng, 10.0, 0.5, jitter=jitter) for _ in range(COUNT)]
    lines = [order_lines(s, [(1.0, "1x", 0.0)])[0] for s in seen]
    assert sum(abs(line.amplitude - 0.5) <= line.u95 for line in lines) >= stats.binom(COUNT, 0.93).ppf(0.001)
    if jitter == 0.2:
        assert np.mean([abs(s.vectors[:, round(1 / s.resolution)].mean()) for s in seen]) < 0.9 * 0.5


def test_powers_gathered_over_a_width_cover_too():
    rng = np.random.default_rng(6)
    found = [order_lines(spectrum(rng, 10.0, 0.1), [(1.0, "1x", 0.1)])[0] for _ in range(COUNT)]
    assert sum(abs(line.amplitude - 0.1) <= line.u95 for line in found) >= AGREED[0]


def test_an_order_between_two_bins_or_beyond_the_last_has_no_phase():
    seen = spectrum(np.random.default_rng(7), 10.0, 0.5)
    for order in (1 + seen.resolution / 2, seen.order[-1] + 1):
        assert order_lines(seen, [(order, "", 0.0)]) == order_lines(replace(seen, vectors=None), [(order, "", 0.0)])
