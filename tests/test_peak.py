"""Peaks between bins: exact without noise, and intervals that cover the truth 93 to 97 times in 100."""

import numpy as np
import pytest

from vibekit.errors import UsageError
from vibekit.peak import highest_peak
from vibekit.spectrum import amplitude_spectrum
from vibekit.window import COEFFICIENTS

N, RATE = 2048, 4096.0
TIME = np.arange(N) / RATE


def read(x, window="hann", low=950, high=1050, **averaging):
    spectrum = amplitude_spectrum(x, RATE, unit="m/s2", window=window, **averaging)
    return highest_peak(spectrum, spectrum.noise_floor(400), low, high)


@pytest.mark.parametrize("window", [name for name in COEFFICIENTS if name != "rectangular"])
@pytest.mark.parametrize("offset", [-0.5, -0.25, 0.0, 0.1, 0.4, 0.5])
def test_a_sine_without_noise_is_read_between_bins(window, offset):
    peak = read(2.5 * np.cos(2 * np.pi * (1000 + offset * RATE / N) * TIME + 0.3), window)
    # what leaks from the mirror line at -1000 Hz stays: most through Hamming and ftni, whose far side lobes fall slowest
    assert peak.frequency_hz == pytest.approx(1000 + offset * RATE / N, abs=1e-4)
    assert peak.amplitude == pytest.approx(2.5, rel=1e-5)
    assert peak.unit == "m/s2"


# The bound of the samples: S.M. Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), example 3.14 (from memory),
# after D.C. Rife and R.R. Boorstyn, IEEE Trans. IT 20 (1974) 591-598
def cramer_rao(amplitude, noise_rms):
    eta = amplitude**2 / (2 * noise_rms**2)
    return np.sqrt(12 / ((2 * np.pi) ** 2 * eta * N * (N**2 - 1))) * RATE, np.sqrt(2 / N) * noise_rms


@pytest.mark.parametrize(
    ("window", "averaging", "amplitude"),
    [
        ("hann", {}, 0.4),
        ("blackman-harris", {}, 1.0),
        ("hft90d", {}, 1.0),
        ("hann", {"length": 512}, 1.0),
        ("hann", {"length": 512, "overlap": 0.75}, 1.0),
    ],
)
def test_intervals_cover_frequency_and_amplitude(window, averaging, amplitude):
    rng = np.random.default_rng(11)
    trials, bound = 700, np.array(cramer_rao(amplitude, 1.0))
    covered, scatter, claimed = [], [], []
    for _ in range(trials):
        frequency = 1000 + rng.uniform(-4, 4)
        x = amplitude * np.cos(2 * np.pi * frequency * TIME + rng.uniform(0, 2 * np.pi)) + rng.standard_normal(N)
        peak = read(x, window, 970, 1030, **averaging)
        error = np.array([peak.frequency_hz - frequency, peak.amplitude - amplitude])
        u95 = np.array([peak.frequency_u95_hz, peak.amplitude_u95])
        covered.append(np.abs(error) < u95)
        scatter.append(error)
        claimed.append(u95)
    coverage = np.mean(covered, axis=0)
    assert ((coverage > 0.93) & (coverage < 0.97)).all(), coverage
    assert (np.mean(claimed, axis=0) > 1.96 * bound).all()  # no estimator is better than the bound of the samples
    assert (np.abs(np.mean(scatter, axis=0)) < 0.15 * np.mean(claimed, axis=0)).all()  # and none is off in the mean


def test_noise_alone_is_no_peak():
    rng = np.random.default_rng(12)
    found = sum(read(rng.standard_normal(N), low=980, high=1020) is not None for _ in range(200))
    assert found <= 1  # 21 bins, exp(-3.5**2) each: 1e-4 a record


def test_the_skirt_of_a_line_outside_the_band_is_no_peak():
    x = np.cos(2 * np.pi * 1000 * TIME) + 1e-6 * np.random.default_rng(13).standard_normal(N)
    assert read(x, low=1002, high=1002) is None
    assert read(x, low=998, high=1002).frequency_hz == pytest.approx(1000, abs=1e-5)
    assert read(np.zeros(N)) is None


def test_a_spectrum_cut_to_a_band_gives_the_same_peak():
    x = np.cos(2 * np.pi * 1000.7 * TIME) + 0.1 * np.random.default_rng(14).standard_normal(N)
    spectrum = amplitude_spectrum(x, RATE, unit="m/s2")
    whole, floor = spectrum.to("psd"), spectrum.noise_floor(400)
    assert highest_peak(whole.band(500, 1500), floor.band(500, 1500), 950, 1050) == highest_peak(spectrum, floor, 950, 1050)


def test_a_rectangular_window_is_refused():
    with pytest.raises(UsageError, match="window is 'rectangular'; a peak between bins needs one with a wider main lobe"):
        read(np.ones(N), "rectangular")
