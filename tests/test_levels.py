"""Levels and their intervals against noise of known density and lines of known power. VIBEKIT_INTERVALS=2000 draws as many of each."""

import os

import numpy as np
import pytest
from scipy import stats

from tests.test_order_line import RATE, spectrum
from vibekit.levels import level_of, octave_levels
from vibekit.transform import Transform

CASES = int(os.environ.get("VIBEKIT_INTERVALS", "30"))
LOW, HIGH = stats.binom(CASES, 0.93).ppf(0.001), stats.binom(CASES, 0.97).ppf(0.999)  # 93 to 97 %, but for what chance does to so many


@pytest.mark.parametrize("shared", [0.0, 0.8], ids=["apart", "together"])
@pytest.mark.parametrize("channels", [1, 3])
@pytest.mark.parametrize("slope", [0.0, 1.0], ids=["white", "coloured"])
def test_the_interval_of_an_octave_holds_the_density(channels, shared, slope):
    """Density of white noise: 2 sigma^2 / rate, one-sided; coloured falls by 3 dB an octave and is the same at 1 kHz; channels add up.

    shared: amplitude that all channels have in common.
    """
    rng, n, rate = np.random.default_rng(channels), 8000, 8000.0
    gain = (np.maximum(np.fft.rfftfreq(n, 1 / rate), 1.0) / 1000) ** (-slope / 2)
    thirds = 2.0 ** (np.arange(-2, 3, 2) / 6)  # middles, in that of the octave
    inside = []
    for _ in range(CASES):
        common, own = rng.standard_normal(n), rng.standard_normal((channels, n))
        x = np.fft.irfft(np.fft.rfft(shared * common + np.sqrt(1 - shared**2) * own) * gain, n)
        found = octave_levels([[Transform.of(each, rate) for each in x]], 3600.0)
        middles = np.array([float(q.name.split()[1]) for q in found])
        truth = 10 * np.log10(channels * 2 / rate * np.mean((np.outer(middles, thirds) / 1000) ** -slope, axis=1))
        inside.append([abs(q.value - true) <= q.u95 for q, true in zip(found, truth, strict=True)])
    held = np.sum(inside, axis=0)
    assert len(held) == 5
    assert np.all((held >= LOW) & (held <= HIGH)), held / CASES


@pytest.mark.parametrize("seconds", [2.5, 10.0])
@pytest.mark.parametrize("slope", [0.0, 2.0], ids=["white", "coloured"])
@pytest.mark.parametrize("errors", [15, 30])
def test_the_interval_of_a_line_s_level_holds_its_power(seconds, slope, errors):
    """errors: amplitude over the bound of its standard error, sqrt(2 / N) of the noise (Kay, Estimation Theory (1993), example 3.14)."""
    rng = np.random.default_rng(round(10 * seconds + slope + errors))
    amplitude = errors * np.sqrt(2 / (seconds * RATE))
    found = [level_of(spectrum(rng, seconds, amplitude, slope=slope), (1.0,), "1x") for _ in range(CASES)]
    held = sum(abs(q.value - 20 * np.log10(amplitude / np.sqrt(2))) <= q.u95 for q in found)
    assert LOW <= held <= stats.binom(CASES, 0.98).ppf(0.999)  # blocks are few: Student's factor and the larger of two accounts of scatter
    assert np.median([q.u95 for q in found]) < 1.4 * 1.96 * 20 / np.log(10) / errors


@pytest.mark.parametrize("seconds", [2.5, 10.0])
@pytest.mark.parametrize("slope", [0.0, 2.0], ids=["white", "coloured"])
@pytest.mark.parametrize("errors", [0, 3, 5, 8])
def test_a_line_that_hides_is_at_most_so_much(seconds, slope, errors):
    """errors: as above. Up to 5 of them the power in blocks does not show the line, and at 8 now and then; 95 % and more hold the truth."""
    rng = np.random.default_rng(round(10 * seconds + slope + errors))
    amplitude = errors * np.sqrt(2 / (seconds * RATE))
    found = [level_of(spectrum(rng, seconds, amplitude, slope=slope), (1.0,), "1x") for _ in range(CASES)]
    power = amplitude**2 / 2
    held = sum(10 ** ((q.value - q.u95) / 10) <= power <= 10 ** ((q.value if q.at_most else q.value + q.u95) / 10) for q in found)
    assert held >= stats.binom(CASES, 0.95).ppf(0.001)
    if errors < 8:
        assert sum(q.at_most is not None for q in found) >= 0.9 * CASES
        noise = 5 * 2 / (16 * RATE / 50)  # in the five bins of a block of 16 turns or more
        assert max(q.value for q in found) < 10 * np.log10(2 * noise)


def test_the_limit_of_several_lines_holds_their_sum():
    rng = np.random.default_rng(8)
    found = [level_of(spectrum(rng, 5.0, 4 * np.sqrt(2 / (5 * RATE))), (0.5, 1.0, 1.5), "half orders") for _ in range(CASES)]
    assert all(q.at_most is not None for q in found)
    assert sum(q.value >= 10 * np.log10(16 / (5 * RATE)) for q in found) >= stats.binom(CASES, 0.95).ppf(0.001)
