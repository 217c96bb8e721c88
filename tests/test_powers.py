"""Power of lines above their noise, with its standard error."""

import numpy as np
import pytest

from vibekit.orders import angular_signal
from vibekit.powers import best_line_power, line_power, whole_line_power
from vibekit.transform import Transform

RATE, SHAFT_HZ = 8000.0, 50.0


def spectra(seed, amplitude=0.02, density=1e-7, wander=0.0):
    """Order spectra of 4 s of a line at 3x in white noise of this density per Hz: short and long blocks, and all at once."""
    rng = np.random.default_rng(seed)
    time = np.arange(32000) / RATE
    phase = 2 * np.pi * 3 * SHAFT_HZ * time + wander * np.cumsum(rng.standard_normal(time.size))
    x = amplitude * np.cos(phase) + np.sqrt(density * RATE / 2) * rng.standard_normal(time.size)
    signal = angular_signal(Transform.of(x, RATE), (np.array([0.0, 4.0]), np.array([0.0, 4.0 * SHAFT_HZ])), max_order=12.0, unit="FS")
    return signal.spectrum(), signal.half_orders(int(signal.turns / 2)), signal.half_orders(int(signal.turns))


@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("turns", [10, 99, 200, 203])
def test_half_orders_alone_are_those_of_the_whole_spectrum(turns, dtype):
    rng = np.random.default_rng(turns)
    x = (rng.standard_normal(33000) + np.cos(2 * np.pi * 3 * SHAFT_HZ / RATE * np.arange(33000))).astype(dtype)
    signal = angular_signal(Transform.of(x, RATE), (np.array([0.0, 4.1]), np.array([0.0, 4.1 * SHAFT_HZ])), max_order=12.3, unit="FS")
    whole, some = signal.spectrum(block_turns=turns), signal.half_orders(turns)
    for field in ("order", "speed_hz"):
        assert np.array_equal(getattr(some, field), getattr(whole, field))
    for order in np.arange(0.5, 12.0, 0.5):
        assert some.holds(order) == whole.holds(order)
        if some.holds(order) and order * turns > 20:  # the mean, which is not taken off, does not reach so far
            assert np.allclose(some.line_power(order), whole.line_power(order), rtol=1e-3, atol=1e-9)


def test_power_of_a_sine_is_half_its_peak_squared():
    short, long, whole = spectra(1, density=1e-12)
    best = best_line_power(short, long, 3.0)
    assert best.power == pytest.approx(0.02**2 / 2, rel=1e-3)
    assert whole_line_power(whole, best).power == pytest.approx(0.02**2 / 2, rel=1e-3)


@pytest.mark.parametrize("amplitude", [0.0, 0.002, 0.02])
def test_the_standard_error_is_the_scatter_over_many_recordings(amplitude):
    # JCGM 100:2008, 4.2: the standard uncertainty is the standard deviation of repeated results
    every = [spectra(seed, amplitude) for seed in range(200)]
    short = [line_power(each[0], 3.0) for each in every]
    whole = [whole_line_power(each[2], best_line_power(each[0], each[1], 3.0)) for each in every]
    for found in (short, whole):
        powers = np.array([line.power for line in found])
        assert powers.mean() == pytest.approx(amplitude**2 / 2, abs=4 * powers.std() / np.sqrt(200) + 0.03 * found[0].noise)
        assert np.mean([line.error for line in found]) == pytest.approx(powers.std(), rel=0.35)


def test_longer_blocks_hold_less_noise():
    short, long, whole = spectra(3)
    best = best_line_power(short, long, 3.0)
    assert best.noise < 0.5 * line_power(short, 3.0).noise
    # a Hann window's noise bandwidth is 1.5 bins (Harris, Proc. IEEE 66 (1978) 51-83)
    assert whole_line_power(whole, best).noise == pytest.approx(1e-7 * 1.5 * SHAFT_HZ * whole.resolution, rel=0.8)


def test_a_line_that_wanders_is_read_where_it_is_whole():
    short, long, whole = spectra(4, amplitude=0.2, wander=0.03)
    best = best_line_power(short, long, 3.0)
    assert line_power(long, 3.0).power < 0.8 * line_power(short, 3.0).power
    assert whole_line_power(whole, best) == best == line_power(short, 3.0)
