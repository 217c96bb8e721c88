"""Windows against printed tables. "From memory": recalled, not seen in print; every such value recomputes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibekit.errors import UsageError
from vibekit.window import COEFFICIENTS, coherent_gain, kernel, noise_bandwidth, overlap_correlation, window_figures, window_samples

# G. Heinzel, A. Ruediger, R. Schilling, AEI Hannover 2002, Table 2: coherent gain, NENBW (bins), flatness (dB), -3 dB width (bins,
# at exactly -3.000 dB), side lobe (dB). Rows marked p were read in the CMSIS-DSP documentation, which carries the table; m: from memory.
HEINZEL = {
    "rectangular": (1.0, 1.0000, -3.9224, 0.8845, -13.26),  # m
    "hann": (0.5, 1.5000, -1.4236, 1.4382, -31.47),  # p
    "hamming": (0.54, 1.3628, -1.7514, 1.3008, -42.68),  # p
    "hft90d": (1.0, 3.8832, 0.0039, 3.8321, -90.22),  # coefficients p (SciPy docstring), values m
    "hft95": (1.0, 3.8112, 0.0044, 3.7592, -95.00),  # p; width printed 3.7590
    "hft144d": (1.0, 4.5386, 0.0021, 4.4698, -144.05),  # p; width printed 4.4697
    "hft248d": (1.0, 5.6512, 0.0009, 5.5568, -248.39),  # p
    "blackman-harris": (0.35875, 2.0044, -0.8256, 1.8962, -92.01),  # p
    "nuttall4b": (0.3558, 2.0212, -0.8118, 1.9122, -93.32),  # p
    "blackman": (0.42, 1.7268, -1.0989, 1.6409, -58.11),  # m
    "sft3f": (0.26526, 3.1681, 0.0082, 3.1503, -31.7),  # this and the next five: m
    "sft5f": (0.1881, 4.3412, -0.0025, 4.2910, -57.3),
    "ftni": (0.28106, 2.9656, 0.0169, 2.9356, -44.4),
    "fthp": (1.0, 3.4279, 0.0096, 3.3847, -70.4),
    "ftsrs": (1.0, 3.7702, -0.0156, 3.7274, -76.6),
    "hft70": (1.0, 3.4129, 0.0065, 3.3721, -70.4),
}


def bartlett(n):
    return 1 - np.abs(np.arange(n) - n / 2) / (n / 2)


def cosine_sum(coefficients, n):
    return sum((-1) ** k * c * np.cos(2 * np.pi * k * np.arange(n) / n) for k, c in enumerate(coefficients))


@pytest.mark.parametrize("name", HEINZEL)
def test_figures_are_those_of_heinzel_table_2(name):
    gain, bandwidth, flatness, width, lobe = HEINZEL[name]
    figures = window_figures(window_samples(name, 4096))
    assert figures.coherent_gain == pytest.approx(gain, abs=5e-5)
    assert figures.noise_bandwidth == pytest.approx(bandwidth, abs=1e-4)
    # hft70 ripples between -0.0065 and +0.0065 dB: which end is the larger is a matter of the next digit
    error = abs(figures.flatness_db) - abs(flatness) if name == "hft70" else figures.flatness_db - flatness
    assert error == pytest.approx(0, abs=1e-4)
    assert figures.width_3db == pytest.approx(width, abs=1e-4)
    assert figures.side_lobe_db == pytest.approx(lobe, abs=0.1)


def test_bartlett_of_heinzel_table_2():  # published; not a cosine sum, so the figures are tested and not the coefficients
    figures = window_figures(bartlett(4096))
    assert figures.coherent_gain == pytest.approx(0.5, abs=1e-4)
    assert figures.noise_bandwidth == pytest.approx(1.3333, abs=1e-4)
    assert figures.flatness_db == pytest.approx(-1.8242, abs=1e-4)
    assert figures.width_3db == pytest.approx(1.2736, abs=1e-4)
    assert figures.side_lobe_db == pytest.approx(-26.52, abs=0.01)


def test_five_term_flat_tops():  # computed; coefficients from memory (ISO 18431-2), computed
    scipy_form = window_figures(window_samples("flat-top", 4096))
    assert (scipy_form.coherent_gain, scipy_form.noise_bandwidth) == pytest.approx((0.21558, 3.7702), abs=1e-4)
    assert (scipy_form.flatness_db, scipy_form.width_3db) == pytest.approx((-0.0098, 3.7210), abs=1e-4)
    assert scipy_form.side_lobe_db == pytest.approx(-93.03, abs=0.01)
    assert scipy_form.flatness_db == pytest.approx(20 * np.log10(kernel("flat-top", 0.5)), abs=1e-5)
    iso = window_figures(window_samples("flat-top-iso", 4096))
    assert (iso.noise_bandwidth, iso.flatness_db) == pytest.approx((3.7709, -0.0090), abs=1e-4)
    assert 20 * np.log10(kernel("flat-top-iso", np.linspace(0, 0.5, 501)).max()) == pytest.approx(0.0026, abs=1e-4)


def test_half_power_width_is_another_number():  # exact maths: -3.0103 dB gives 1.4406 (Hann), 0.8859 (rectangular)
    offset = np.linspace(0, 1, 100_001)
    for name, width in (("hann", 1.4406), ("rectangular", 0.8859)):
        assert 2 * offset[np.argmin(np.abs(kernel(name, offset) ** 2 - 0.5))] == pytest.approx(width, abs=1e-4)


@pytest.mark.parametrize(
    ("coefficients", "n", "rate", "expected"),  # published: examples of a numerical environment, symmetric form
    [
        ((0.54, 0.46), 1000, 1000, 1.3638),
        ((0.5, 0.5), 128, 1000, 11.8110),
        ((0.5, 0.5), 1000, 10000, 15.0150),
        ((0.21557895, 0.41663158, 0.277263158, 0.083578947, 0.006947368), 10000, 44100, 16.6285),
    ],
)
def test_noise_bandwidth_of_symmetric_windows(coefficients, n, rate, expected):
    symmetric = np.append(cosine_sum(coefficients, n - 1), cosine_sum(coefficients, n - 1)[0])
    assert noise_bandwidth(symmetric) * rate / n == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("name", "three_quarters", "half"),  # Harris, Proc. IEEE 66 (1978), Table I, from memory; recomputed to 4 digits
    [("hann", 0.6592, 0.1667), ("hamming", 0.7069, 0.2338), ("blackman", 0.5667, 0.0896)],
)
def test_overlap_correlation_of_harris(name, three_quarters, half):
    samples = window_samples(name, 4096)
    assert overlap_correlation(samples, 1024) == pytest.approx(three_quarters, abs=1e-4)
    assert overlap_correlation(samples, 2048) == pytest.approx(half, abs=1e-4)
    assert overlap_correlation(samples, 4096) == 0


@pytest.mark.parametrize(
    ("name", "loss"),  # Harris 1978, from memory; recomputed
    [("rectangular", 3.922), ("hann", 3.185), ("hamming", 3.096), ("blackman", 3.471), ("blackman-harris", 3.845)],
)
def test_worst_case_processing_loss_of_harris(name, loss):
    assert window_figures(window_samples(name, 4096)).processing_loss_db == pytest.approx(loss, abs=1e-3)


def test_entries_of_harris_table_that_do_not_recompute():
    """Harris 1978 Table I as recalled prints other numbers; these are computed, the printed ones stand beside them."""
    assert window_figures(window_samples("hamming", 4096)).flatness_db == pytest.approx(-1.751, abs=1e-3)  # printed 1.78
    exact_blackman = window_figures(cosine_sum((7938 / 18608, 9240 / 18608, 1430 / 18608), 4096))
    assert exact_blackman.noise_bandwidth == pytest.approx(1.694, abs=1e-3)  # printed 1.57
    assert exact_blackman.side_lobe_db == pytest.approx(-68.2, abs=0.1)  # printed -51
    assert window_figures(window_samples("blackman", 4096)).width_3db == pytest.approx(1.64, abs=0.01)  # printed 1.68
    three_term = window_figures(cosine_sum((0.42323, 0.49755, 0.07922), 4096))
    assert three_term.width_3db == pytest.approx(1.62, abs=0.01)  # printed 1.66


@given(st.sampled_from(sorted(COEFFICIENTS)), st.integers(1, 400))
def test_samples_are_the_cosine_sum(name, n):
    np.testing.assert_allclose(window_samples(name, n), cosine_sum(COEFFICIENTS[name], n), rtol=0, atol=1e-12)


@pytest.mark.parametrize("name", COEFFICIENTS)
def test_kernel_is_the_transform_of_the_samples(name):
    n, offset = 4096, np.linspace(-6.3, 6.3, 25)
    centred = np.arange(n) - n / 2
    transform = np.exp(-2j * np.pi * offset[:, None] * centred / n) @ window_samples(name, n) / n
    np.testing.assert_allclose(transform.real / coherent_gain(window_samples(name, n)), kernel(name, offset), atol=3e-6)  # 1/n^2


def test_scipy_makes_the_same_samples():
    from scipy.signal import get_window

    for ours, theirs in (("hann", "hann"), ("blackman-harris", "blackmanharris"), ("flat-top", "flattop")):
        np.testing.assert_allclose(window_samples(ours, 65), get_window(theirs, 65), atol=1e-12)


def test_an_unknown_window_is_refused():
    with pytest.raises(UsageError, match="window is 'kaiser'; choose one of 'rectangular', 'hann'"):
        window_samples("kaiser", 8)
