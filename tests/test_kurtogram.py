"""The kurtogram against filters of another kind, and against what kurtosis is by theory."""

import numpy as np
import pytest
from scipy.signal import firwin, hilbert, oaconvolve

from vibekit.kurtogram import DIVISIONS, SEGMENT, kurtogram
from vibekit.transform import Transform

RATE, SECONDS = 20_000.0, 8.0
N = int(RATE * SECONDS)
LOW, HIGH = 1_000.0, 9_000.0


def noise(rng):
    return rng.normal(size=N)


def struck(rng, at_s, pitch_hz, size=8.0):
    """Strikes that ring at one pitch for about a millisecond, in noise."""
    time = np.arange(200) / RATE
    train = np.zeros(N)
    np.add.at(train, (np.asarray(at_s) * RATE).astype(int), size)
    return noise(rng) + np.convolve(train, np.exp(-1000 * time) * np.sin(2 * np.pi * pitch_hz * time))[:N]


def gram(x, **how):
    analytic, rate = Transform.of(x.astype(np.float32), RATE).analytic(LOW, HIGH)
    return kurtogram(analytic, rate, (LOW, HIGH), narrowest_hz=200.0, **how)


def filtered(x, low, high):
    """Kurtosis of the complex envelope behind a band-pass of 1001 taps, less 2: Antoni, MSSP 20 (2006) 282-307, from memory."""
    behind = oaconvolve(x, firwin(1001, [low, high], fs=RATE, pass_zero=False), mode="same")
    power = np.abs(hilbert(behind)) ** 2
    return np.mean(power**2) / np.mean(power) ** 2 - 2


def test_bands_are_halves_and_thirds_of_the_whole():
    # the tree of Antoni, Mech. Syst. Signal Process. 21 (2007) 108-124: 2^k and 3 2^(k-1) bands a level
    found = gram(noise(np.random.default_rng(0)))
    width = found.high_hz - found.low_hz
    counts = [int(np.sum(np.isclose(width, (HIGH - LOW) / parts, rtol=0.02))) for parts in DIVISIONS if (HIGH - LOW) / parts > 200]
    assert counts == [parts for parts in DIVISIONS if (HIGH - LOW) / parts > 200]
    assert found.low_hz.min() == LOW
    assert found.high_hz.max() == HIGH


def test_every_band_agrees_with_direct_filters():
    rng = np.random.default_rng(1)
    x = struck(rng, np.cumsum(rng.normal(0.01, 2e-4, 780)), 4_300.0)
    found = gram(x)
    inside = (found.low_hz > LOW) & (found.high_hz < HIGH) & (found.high_hz - found.low_hz > 450)
    direct = np.array([filtered(x, low, high) for low, high in zip(found.low_hz[inside], found.high_hz[inside], strict=True)])
    quiet = direct < 0.3
    assert np.abs(found.excess[inside] - direct)[quiet].max() < 0.12
    assert found.excess[inside][~quiet] == pytest.approx(direct[~quiet], rel=0.25)  # filters of unlike steepness, mean against median
    assert np.corrcoef(found.excess[inside], direct)[0, 1] > 0.98


def test_the_band_of_a_ring_is_found_in_noise_of_its_own_height():
    rng = np.random.default_rng(2)
    low, high = gram(struck(rng, np.arange(0.01, SECONDS - 0.1, 0.02), 4_500.0, 6.0)).band_hz
    assert low < 4_500 < high
    assert high - low <= 2_000


def test_gaussian_noise_has_none_and_its_interval_holds_in_19_bands_of_20():
    # exact: the estimate is without bias, its variance 4 / n
    found = [gram(noise(np.random.default_rng(seed))) for seed in range(10, 18)]
    z = np.concatenate([g.excess / g.u95 for g in found])
    assert abs(np.mean([g.excess.mean() for g in found])) < 0.02
    assert 0.9 < np.mean(np.abs(z) < 1) < 0.99


def test_a_tone_has_minus_one():
    # exact: constant amplitude, Antoni (2006); what is left of 1 is the bias taken off
    x = np.sin(2 * np.pi * 4_321.0 * np.arange(N) / RATE) + 1e-3 * noise(np.random.default_rng(3))
    found = gram(x)
    with_tone = (found.low_hz + 50 < 4_321) & (found.high_hz - 50 > 4_321)
    assert found.excess[with_tone] == pytest.approx(-1, abs=0.05)


def test_single_clicks_choose_no_band():
    rng = np.random.default_rng(4)
    strikes = struck(rng, np.arange(0.01, SECONDS - 0.1, 0.02), 3_000.0)
    clicks = struck(np.random.default_rng(5), [1.3, 4.1, 6.6], 7_000.0, 300.0) - noise(np.random.default_rng(5))
    with_clicks, without = gram(strikes + clicks), gram(strikes)
    assert with_clicks.band_hz == without.band_hz
    assert np.abs(with_clicks.excess - without.excess).max() < 0.4
    assert filtered(strikes + clicks, 6_500, 7_500) > 10 * filtered(strikes + clicks, 2_500, 3_500)  # a mean would have chosen them


def test_spans_left_out_and_short_records():
    rng = np.random.default_rng(6)
    x = noise(rng)
    x[: N // 2] += struck(rng, np.arange(0.01, SECONDS / 2 - 0.1, 0.01), 6_000.0)[: N // 2]
    assert np.abs(gram(x, leave_out_s=((0.0, SECONDS / 2),)).excess).max() < 0.5
    assert gram(x, leave_out_s=((0.0, SECONDS),)) is None
    short = noise(rng)[: int(SEGMENT * RATE / (HIGH - LOW)) - 100]
    assert gram(short) is None
