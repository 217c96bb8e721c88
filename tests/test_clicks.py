"""Clicks against point processes of known rate, spacing and size."""

import os

import numpy as np
import pytest
from scipy import stats

from vibekit.clicks import _scatter, find_clicks, poisson_u95, unevenness

RATE, SECONDS = 8000.0, 20.0
N = int(RATE * SECONDS)
CASES = int(os.environ.get("VIBEKIT_INTERVALS", "300"))


def heard(rng, at_s, size=12.0, level=1.0):
    """Squared envelope of Gaussian noise and of clicks that ring for a millisecond."""
    x = level * (rng.normal(size=N) + 1j * rng.normal(size=N)) / np.sqrt(2)
    first = (np.asarray(at_s) * RATE).astype(int)
    size = np.broadcast_to(size, first.shape)[first < N - 10]
    first = first[first < N - 10]
    for later in range(8):
        np.add.at(x, first + later, size * np.exp(-later / 2 + 1j * rng.uniform(0, 6.28, first.size)))
    return np.abs(x) ** 2


def at_random(rng, per_second):
    return np.sort(rng.uniform(0, SECONDS, rng.poisson(per_second * SECONDS)))


def numbers(squared, leave_out_s=()):
    return {q.name: q for q in find_clicks(squared, RATE, leave_out_s).quantities}


@pytest.mark.parametrize("per_second", [5, 50, 150])
def test_rate_and_spacing_of_a_poisson_process_lie_in_their_intervals(per_second):
    # exact: gaps of a Poisson process are exponential, their coefficient of variation is 1 (Cox & Lewis, The Statistical Analysis of
    # Series of Events (1966), chapter 2)
    rng = np.random.default_rng(per_second)
    rates, spacings = [], []
    for _ in range(40):
        found = numbers(heard(rng, at_random(rng, per_second)))
        rates.append(abs(found["click rate"].value - per_second) <= found["click rate"].u95)
        spacings.append(abs(found["click spacing"].value - 1) <= found["click spacing"].u95)
    assert np.mean(rates) >= 0.85  # 95 % less three standard errors of 40 trials
    assert np.mean(spacings) >= 0.85


GAPS = {
    "random": lambda rng, size: rng.exponential(1, size),
    "even": lambda rng, size: 1 + 0.1 * rng.standard_normal(size),
    "between": lambda rng, size: rng.gamma(4, 0.25, size),
}


@pytest.mark.parametrize("count", [20, 40, 200])
@pytest.mark.parametrize(("kind", "truth"), [("random", 1.0), ("even", 0.1), ("between", 0.5)])
def test_the_interval_of_unevenness_holds_it(kind, truth, count):
    """Coefficients of variation: exponential 1, gamma of shape k 1 / sqrt(k) (any handbook). Few gaps of skewed kinds hold 92 %."""
    rng = np.random.default_rng(count)
    found = [unevenness(GAPS[kind](rng, count)) for _ in range(CASES)]
    held = sum(abs(value - truth) <= u95 for value, u95 in found)
    assert stats.binom(CASES, 0.92 if count < 40 else 0.93).ppf(0.001) <= held <= stats.binom(CASES, 0.97).ppf(0.999)


@pytest.mark.parametrize("count", [20, 40, 200])
def test_the_interval_of_sizes_holds_their_scatter(count):
    """Normal and half-normal (as those are whose lower half noise hides); of the latter the standard deviation is sqrt(1 - 2 / pi)."""
    rng = np.random.default_rng(count)
    for fold, truth in ((False, 1.0), (True, np.sqrt(1 - 2 / np.pi))):
        values = rng.standard_normal((CASES, count))
        found = [_scatter(np.abs(row) if fold else row) for row in values]
        held = sum(abs(value - truth) <= u95 for value, u95 in found)
        assert stats.binom(CASES, 0.93).ppf(0.001) <= held <= stats.binom(CASES, 0.985).ppf(0.999)


def test_the_interval_of_a_count_holds_its_mean():
    """Exact: sums of Poisson probabilities, means of 3 to 100; where the mean is below 3, an interval must reach down to it."""
    count = np.arange(400)
    u95 = np.array([poisson_u95(int(n)) for n in count])
    held = [stats.poisson(mean).pmf(count)[np.abs(count - mean) <= u95].sum() for mean in np.linspace(0.5, 100, 200)]
    assert 0.94 < np.mean(held[5:]) < 0.96
    assert min(held) > 0.915


def test_even_strikes_of_one_size_are_told_from_grit_by_spacing_and_sizes():
    rng = np.random.default_rng(1)
    even = numbers(heard(rng, np.arange(0.01, SECONDS, 0.02)))
    at = at_random(rng, 200)
    grit = numbers(heard(rng, at, 3 * np.exp(rng.normal(0, 1.0, at.size))))
    assert even["click spacing"].value + even["click spacing"].u95 < 0.2
    assert grit["click spacing"].value > 0.8
    assert grit["click sizes"].value > 2 * even["click sizes"].value


def test_sizes_over_decades_show_in_their_spread():
    # exact: the logarithm of a lognormal size scatters by 20 log10(e) sigma dB, here 8.7; what the noise hides is missing from below
    rng = np.random.default_rng(2)
    at = at_random(rng, 20)
    alike, unlike = numbers(heard(rng, at)), numbers(heard(rng, at, 30 * np.exp(rng.normal(0, 1.0, at.size))))
    assert alike["click sizes"].value < 1.5
    assert 5 < unlike["click sizes"].value < 8.7


def test_a_knock_is_one_click_and_says_nothing_of_spacing():
    found = numbers(heard(np.random.default_rng(3), [7.0], 100.0))
    assert found["click rate"].value * SECONDS == pytest.approx(1, abs=0.01)
    assert "click spacing" not in found
    assert numbers(heard(np.random.default_rng(3), [7.0], 100.0), ((6.9, 7.1),))["click rate"].value == 0


def test_noise_and_gusts_of_wash_hardly_ever_click():
    rng = np.random.default_rng(4)
    gust = 1 + 0.5 * np.sin(2 * np.pi * 3 * np.arange(N) / RATE)
    assert sum(len(find_clicks(heard(rng, [], level=level), RATE, ()).at_s) for level in [1.0] * 20 + [gust] * 20) <= 8  # 2 expected


def test_silence_and_too_short_a_record_have_no_clicks():
    assert find_clicks(np.zeros(N), RATE, ()).quantities[0].value == 0
    assert find_clicks(np.ones(10), RATE, ()).quantities[0].value == 0
