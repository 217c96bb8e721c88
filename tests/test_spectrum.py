"""Scaling against exact maths and against scipy.signal as a second implementation; intervals by simulation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibekit.errors import UsageError
from vibekit.spectrum import KINDS, amplitude_spectrum, welch_psd
from vibekit.window import COEFFICIENTS, kernel

RATE = 1000.0


def sine(n, bins, amplitude=1.0, phase=0.4):
    return amplitude * np.cos(2 * np.pi * bins * np.arange(n) / n + phase)


@pytest.mark.parametrize("n", [1024, 1025])
@pytest.mark.parametrize("window", COEFFICIENTS)
def test_a_unit_sine_on_a_bin_reads_one(window, n):
    spectrum = amplitude_spectrum(sine(n, 100), RATE, unit="g", window=window, length=n)
    assert spectrum.values[100] == pytest.approx(1, rel=1e-9)
    assert spectrum.frequency[100] == pytest.approx(100 * RATE / n, rel=1e-15)
    assert spectrum.to("rms").values[100] == pytest.approx(np.sqrt(0.5), rel=1e-9)
    assert spectrum.to("power").values[100] == pytest.approx(0.5, rel=1e-9)
    assert spectrum.to("psd").values[100] == pytest.approx(0.5 / spectrum.resolution_hz, rel=1e-9)


@pytest.mark.parametrize("n", [4096, 4097])
@pytest.mark.parametrize("window", COEFFICIENTS)
def test_a_unit_sine_half_way_reads_the_scallop(window, n):
    spectrum = amplitude_spectrum(sine(n, 1024.5), RATE, unit="g", window=window, length=n)
    # the mirror line 2048 bins away leaks at most 1 / (2048 pi), through the rectangular window
    assert spectrum.values[1024:1026] == pytest.approx(float(kernel(window, 0.5)), abs=2e-4)


def test_a_constant_and_half_the_rate_read_their_own_height():
    x = 3 + 2 * np.cos(np.pi * np.arange(64))
    spectrum = amplitude_spectrum(x, RATE, unit="g", length=64, detrend="none")
    assert (spectrum.values[0], spectrum.values[-1]) == pytest.approx((3, 2))
    assert spectrum.frequency[-1] == RATE / 2
    np.testing.assert_allclose(spectrum.to("rms").values[[0, -1]], [3, 2])
    assert amplitude_spectrum(x, RATE, unit="g", length=64).values[0] == pytest.approx(0, abs=1e-15)


@pytest.mark.parametrize("n", [600, 601])
def test_parseval(n):
    x = np.random.default_rng(1).standard_normal(3 * n)
    psd = welch_psd(x, RATE, n, unit="g", window="rectangular", overlap=0.0, detrend="none")
    assert psd.averages == 3
    assert psd.values.sum() * psd.step_hz == pytest.approx(np.mean(x**2), rel=1e-12)
    assert psd.band_rms(0, RATE / 2) == pytest.approx(np.sqrt(np.mean(x**2)), rel=1e-12)


@pytest.mark.parametrize("window", COEFFICIENTS)
def test_white_noise_reads_its_density(window):
    density = 0.02
    x = np.random.default_rng(2).standard_normal(400_000) * np.sqrt(density * RATE / 2)
    psd = welch_psd(x, RATE, 500, unit="g", window=window)
    inner = psd.values[12:-12]  # away from the ends, where a wide window mixes a bin with its mirror
    # 400 000 samples: sqrt(2 / 400 000) = 0.2 %, more for a window that uses only part of them
    assert inner.mean() == pytest.approx(density, rel=0.02)


@pytest.mark.parametrize("length", [256, 255])
@pytest.mark.parametrize("overlap", [0.0, 0.5, 0.75])
@pytest.mark.parametrize(("ours", "theirs"), [("hann", "hann"), ("blackman-harris", "blackmanharris"), ("flat-top", "flattop")])
def test_scipy_welch_agrees(length, overlap, ours, theirs):
    from scipy.signal import welch

    x = np.random.default_rng(3).standard_normal(3000) + sine(3000, 301.7)
    psd = welch_psd(x, RATE, length, unit="g", window=ours, overlap=overlap, detrend="none")
    shared = length - round(length * (1 - overlap))
    for kind, scaling in (("psd", "density"), ("power", "spectrum")):
        frequency, values = welch(x, RATE, window=theirs, nperseg=length, noverlap=shared, detrend=False, scaling=scaling)
        np.testing.assert_allclose(psd.to(kind).values, values, rtol=1e-10, atol=1e-12 * values.max())
        np.testing.assert_allclose(psd.frequency, frequency, rtol=1e-14)


@pytest.mark.parametrize("length", [128, 129])
def test_scipy_short_time_fft_agrees(length):
    from scipy.signal import ShortTimeFFT

    x = np.random.default_rng(4).standard_normal(2000)
    hop = round(length / 2)
    transform = ShortTimeFFT.from_window("hann", RATE, length, length - hop, fft_mode="onesided2X", scale_to="psd", phase_shift=None)
    slices = transform.spectrogram(x)
    first, last = (p - transform.p_min for p in (transform.lower_border_end[1], transform.upper_border_begin(x.size)[1]))
    inside = slices[:, first:last]  # frames wholly in the record
    psd = welch_psd(x, RATE, length, unit="g", detrend="none")
    assert inside.shape[1] == psd.averages
    np.testing.assert_allclose(psd.values, inside.mean(axis=1), rtol=1e-10)


def test_the_mean_is_taken_once_and_not_from_each_segment():
    """A strong tone between bins: per-segment detrending (scipy's default) raises the lowest bins, which hold nothing."""
    from scipy.signal import welch

    x = sine(40_000, 1503.3)
    ours = welch_psd(x + 5.0, RATE, 1000, unit="g").values
    none = welch_psd(x, RATE, 1000, unit="g", detrend="none").values
    each = welch(x, RATE, nperseg=1000)[1]
    assert each[1] > 1e5 * none[1]
    assert ours[1] < 1e-3 * each[1]
    np.testing.assert_allclose(ours[2:], none[2:], rtol=1e-6)


def test_float32_gives_the_same_to_its_precision():
    x = np.random.default_rng(5).standard_normal(100_000)
    wide, narrow = (welch_psd(y, RATE, 2048, unit="g").values for y in (x, x.astype(np.float32)))
    assert narrow.dtype == np.float64
    np.testing.assert_allclose(narrow, wide, rtol=3e-6)  # 2**-23 times the square root of a few hundred operations


@given(st.integers(4, 60), st.sampled_from(KINDS), st.sampled_from(KINDS), st.integers(0, 2**32 - 1))
@settings(max_examples=40)
def test_kinds_convert_there_and_back(n, first, second, seed):
    spectrum = amplitude_spectrum(np.random.default_rng(seed).standard_normal(n), RATE, unit="g", length=n).to(first)
    again = spectrum.to(second).to(first)
    np.testing.assert_allclose(again.values, spectrum.values, rtol=1e-12)
    assert (again.kind, again.unit) == (first, "g")


def test_value_unit_says_what_the_kind_is():
    spectrum = amplitude_spectrum(np.ones(8), RATE, unit="m/s2", length=8)
    units = {kind: spectrum.to(kind).value_unit for kind in KINDS}
    assert units == {"amplitude": "m/s2", "rms": "m/s2 rms", "power": "(m/s2)²", "psd": "(m/s2)²/Hz"}


def test_arrays_are_read_only():
    spectrum = amplitude_spectrum(np.ones(8), RATE, unit="g")
    for values in (spectrum.values, spectrum.frequency, spectrum.to("psd").values):
        with pytest.raises(ValueError, match="read-only"):
            values[0] = 1


def test_one_transform_drops_little():
    spectrum = amplitude_spectrum(np.zeros(2003), RATE, unit="g")
    assert (spectrum.length, spectrum.averages) == (2000, 1)


# P.D. Welch 1967; Harris 1978, eq. 17: with Hann, K segments half overlapped have 2 K / (1 + 2 rho^2 (K-1)/K) degrees of freedom, rho 1/6
def test_degrees_of_freedom_of_overlapped_hann():
    psd = welch_psd(np.zeros(10_000), RATE, 1000, unit="g")
    assert psd.averages == 19
    assert psd.degrees_of_freedom == pytest.approx(2 * 19 / (1 + 2 / 36 * 18 / 19), rel=1e-4)
    assert amplitude_spectrum(np.zeros(1000), RATE, unit="g").degrees_of_freedom == 2


@pytest.mark.parametrize(
    ("n", "length", "overlap", "window"),
    [(500, 500, 0.0, "hann"), (1000, 200, 0.5, "hann"), (2000, 200, 0.75, "blackman-harris"), (1500, 150, 0.75, "hft90d")],
)
@pytest.mark.parametrize("kind", ["psd", "rms"])
def test_the_interval_covers_the_density_95_times_in_100(n, length, overlap, window, kind):
    rng = np.random.default_rng(6)
    covered = []
    for _ in range(300):
        psd = welch_psd(rng.standard_normal(n), RATE, length, unit="g", overlap=overlap, window=window, detrend="none")
        low, high = psd.to(kind).interval()
        truth = np.full(psd.values.size, 2 / RATE)  # unit variance spread over 0 to RATE / 2
        truth[[0, -1]] /= 2
        if kind == "rms":
            truth = np.sqrt(truth * psd.resolution_hz)
        covered.append((low < truth) & (truth < high))
    covered = np.array(covered)
    assert 0.93 < covered[:, 5:-5].mean() < 0.97
    assert 0.92 < covered[:, [0, -1]].mean() < 0.98  # 600 trials only: one standard deviation is 0.9 %


def test_the_noise_floor_does_not_see_lines():
    x = np.random.default_rng(7).standard_normal(200_000) * np.sqrt(RATE / 2)
    tones = sum(30 * np.cos(2 * np.pi * f * np.arange(x.size) / RATE) for f in (60.0, 120.0, 180.0))
    for length in (200_000, 2000):
        floor = welch_psd(x + tones, RATE, length, unit="g").noise_floor(50)
        # a median of m bins scatters by about 1.25/sqrt(m); 10 000 bins and 100 bins of 198 averages
        assert np.abs(floor.values - 1).max() < 0.06
    assert floor.kind == "psd"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"x": np.zeros((2, 50))}, r"samples are float64 of shape \(2, 50\)"),
        ({"x": np.zeros(50, int)}, "samples are int64"),
        ({"x": np.full(50, np.nan)}, "not finite"),
        ({"rate_hz": 0.0}, "rate is 0.0 Hz; it must be above 0"),
        ({"length": 51}, "length is 51 samples; it must be from 2 to the record's 50"),
        ({"length": 1}, "length is 1 samples"),
        ({"overlap": 1.0}, "overlap is 1; it must be from 0 to below 1"),
        ({"window": "kaiser"}, "window is 'kaiser'"),
        ({"detrend": "constant"}, "detrend is 'constant'; choose one of 'mean', 'none'"),
    ],
)
def test_what_is_not_allowed_is_refused_in_one_line(change, message):
    settings = {"x": np.zeros(50), "rate_hz": RATE, "length": 50, "unit": "g"} | change
    with pytest.raises(UsageError, match=message):
        welch_psd(**settings)
    empty = {"x": np.zeros(50), "rate_hz": RATE, "length": 50, "unit": "g"}
    with pytest.raises(UsageError, match="band is 1 to 2 Hz; it must hold a bin of 0 to 500 Hz in steps of 20 Hz"):
        welch_psd(**empty).band(1, 2)
