"""Scaling against exact maths and against scipy.signal as a second implementation."""

import numpy as np
import pytest

from vibekit.errors import UsageError
from vibekit.spectrum import amplitude_spectrum, fast_length, welch_psd

RATE = 1000.0


def sine(n, bins, phase=0.4):
    return np.cos(2 * np.pi * bins * np.arange(n) / n + phase)


@pytest.mark.parametrize("n", [1024, 1025])
def test_a_unit_sine_on_a_bin_reads_one(n):
    spectrum = amplitude_spectrum(sine(n, 100), RATE, "g")
    assert spectrum.y[100] == pytest.approx(1, rel=1e-9)
    assert spectrum.x[100] == pytest.approx(100 * RATE / n, rel=1e-15)
    assert (spectrum.x_unit, spectrum.y_unit) == ("Hz", "g")


@pytest.mark.parametrize("n", [4096, 4097])
def test_a_unit_sine_half_way_reads_the_scallop(n):
    """F.J. Harris, Proc. IEEE 66 (1978), Table I, from memory, and exact maths: 1.42 dB, 8 / (3 pi)."""
    assert amplitude_spectrum(sine(n, 1024.5), RATE, "g").y[1024:1026] == pytest.approx(8 / (3 * np.pi), abs=2e-6)


def test_half_the_rate_reads_its_own_height_and_a_constant_nothing():
    spectrum = amplitude_spectrum(3 + 2 * np.cos(np.pi * np.arange(64)), RATE, "g")
    assert (spectrum.y[0], spectrum.y[-1]) == pytest.approx((0, 2), abs=1e-14)
    assert spectrum.x[-1] == RATE / 2


def test_resolution_is_what_noise_fills():
    """The square of an amplitude spectrum of white noise holds its density times the resolution, twice: a line has half of its square."""
    x = np.random.default_rng(1).standard_normal(200_000) * np.sqrt(0.02 * RATE / 2)
    spectrum = amplitude_spectrum(x, RATE, "g")
    assert np.mean(spectrum.y**2) / 2 == pytest.approx(0.02 * spectrum.resolution, rel=0.02)


def test_white_noise_reads_its_density():
    density = 0.02
    x = np.random.default_rng(2).standard_normal(400_000) * np.sqrt(density * RATE / 2)
    assert welch_psd(x, RATE, 500)[2:-2].mean() == pytest.approx(density, rel=0.01)  # 400 000 samples: sqrt(2 / 400 000) = 0.2 %


@pytest.mark.parametrize("length", [256, 255])
def test_scipy_welch_agrees(length):
    from scipy.signal import welch

    x = np.random.default_rng(3).standard_normal(3000) + sine(3000, 301.7)
    theirs = welch(x - x.mean(), RATE, nperseg=length, noverlap=length - round(length / 2), detrend=False)[1]
    np.testing.assert_allclose(welch_psd(x, RATE, length), theirs, rtol=1e-10, atol=1e-12 * theirs.max())


def test_the_mean_is_taken_once_and_not_from_each_segment():
    """A strong tone between bins: per-segment detrending (scipy's default) raises the lowest bins, which hold nothing."""
    from scipy.signal import welch

    x = sine(40_000, 1503.3)
    ours, each = welch_psd(x + 5.0, RATE, 1000), welch(x, RATE, nperseg=1000)[1]
    assert ours[1] < 1e-3 * each[1]


def test_float32_gives_the_same_to_its_precision():
    x = np.random.default_rng(5).standard_normal(100_000)
    wide, narrow = (welch_psd(y, RATE, 2048) for y in (x, x.astype(np.float32)))
    assert narrow.dtype == np.float64
    np.testing.assert_allclose(narrow, wide, rtol=3e-6)  # 2**-23 times the square root of a few hundred operations


def test_fast_length_drops_little():
    from scipy.fft import next_fast_len

    for n in range(1, 3000):
        best = fast_length(n)
        assert next_fast_len(best, real=True) == best <= n < next_fast_len(best + 1, real=True)
    assert fast_length(2_879_999) == 2_834_352


@pytest.mark.parametrize(
    ("x", "length", "message"),
    [
        (np.zeros((2, 50)), 50, r"samples are float64 of shape \(2, 50\)"),
        (np.zeros(50, int), 50, "samples are int64"),
        (np.full(50, np.nan), 50, "not finite"),
        (np.zeros(50), 51, "length is 51 samples; it must be from 2 to the record's 50"),
        (np.zeros(50), 1, "length is 1 samples"),
    ],
)
def test_what_is_not_allowed_is_refused_in_one_line(x, length, message):
    with pytest.raises(UsageError, match=message):
        welch_psd(x, RATE, length)
