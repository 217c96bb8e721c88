"""Balancing by amplitude alone, and how large a vector is that was measured with scatter."""

import math
import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vibekit.amplitude_balancing import closed_form, correct_from_amplitudes
from vibekit.balancing import phasor
from vibekit.errors import UsageError
from vibekit.modulus import modulus_interval

CASES = int(os.environ.get("VIBEKIT_INTERVALS", "400"))
ANGLES = (0, 120, 240)


def size_and_angle(value):
    return abs(value), np.degrees(np.angle(value)) % 360


def amplitudes(weights, original=5, at=40, effect=3):
    return [(weight, abs(phasor(original, at) + effect * weight)) for weight in weights]


def test_three_trial_runs_without_phase():
    """Hopkirk 1940; Everett 1987; review Foiles, Allaire & Gunter 1998. Exact maths: no published worked numbers were found."""
    runs = amplitudes([phasor(1, angle) for angle in ANGLES])
    assert [v for _, v in runs] == pytest.approx([7.548598, 6.261745, 2.410233], abs=1e-6)
    found = correct_from_amplitudes(5, runs, 0.01)
    assert size_and_angle(found.weight) == pytest.approx((5 / 3, 220), rel=1e-9)
    assert found.consistency == pytest.approx(1, abs=1e-9)
    assert found.effect == pytest.approx(0.6)
    assert found.mirror is None
    assert closed_form(5, runs)[0] == pytest.approx(found.weight)
    rounded, consistency = closed_form(5, list(zip([phasor(1, a) for a in ANGLES], [7.55, 6.26, 2.41], strict=True)))
    assert size_and_angle(rounded)[1] - 180 == pytest.approx(39.956, abs=1e-3)
    assert 5 / abs(rounded) == pytest.approx(2.9999, abs=1e-4)
    assert consistency == pytest.approx(1.0007, abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.5, 5), st.floats(0.5, 5), st.floats(0, 360), st.permutations([0, 60, 150, 200, 290]), st.floats(0.3, 1))
def test_any_spread_of_angles_and_sizes_will_do(original, effect, at, angles, other):
    weights = [phasor(1 if n else other, angle) for n, angle in enumerate(angles)]
    found = correct_from_amplitudes(original, amplitudes(weights, original, at, effect), 1e-4)
    assert found.weight == pytest.approx(-phasor(original / effect, at), rel=1e-5)


def test_two_blades_leave_a_mirror_image_and_a_third_place_decides():
    """Exact maths: |V0 + a| and |V0 - a| do not change when a is mirrored about V0."""
    runs = amplitudes([1, -1])
    found = correct_from_amplitudes(5, runs, 0.01)
    truth = -phasor(5 / 3, 40)
    assert found.consistency is None
    assert {round(size_and_angle(w)[1]) for w in (found.weight, found.mirror)} == {220, 140}
    decided = correct_from_amplitudes(5, [*runs, *amplitudes([phasor(0.4, 90)])], 0.01)
    assert decided.mirror is None
    assert decided.weight == pytest.approx(truth, rel=1e-6)


def test_doubling_mirroring_and_turning():
    runs = amplitudes([phasor(1, angle) for angle in (10, 130, 260)])
    found = correct_from_amplitudes(5, runs, 0.01).weight
    doubled = correct_from_amplitudes(5, amplitudes([phasor(2, angle) for angle in (10, 130, 260)]), 0.01).weight
    mirrored = correct_from_amplitudes(5, [(w.conjugate(), v) for w, v in runs], 0.01).weight
    turned = correct_from_amplitudes(5, [(w * phasor(1, 33), v) for w, v in runs], 0.01).weight
    assert doubled == pytest.approx(found, rel=1e-6)
    assert mirrored == pytest.approx(found.conjugate(), rel=1e-6)
    assert turned == pytest.approx(found * phasor(1, 33), rel=1e-6)


def test_circle_without_phase_covers_the_true_weight_and_the_interval_its_effect():
    """Simulation, 400 cases or VIBEKIT_INTERVALS: means of three recordings, each off by 5 % of the first vector (complex rms)."""
    rng = np.random.default_rng(4)
    covered, off, known = [], [], []
    weights = np.array([0, *(phasor(1, angle) for angle in ANGLES)])
    for _ in range(CASES):
        effect = phasor(rng.uniform(0.7, 2), rng.uniform(0, 360))
        noise = 0.05 / math.sqrt(2) * (rng.standard_normal((4, 3)) + 1j * rng.standard_normal((4, 3)))
        takes = np.abs(1 + effect * weights[:, None] + noise)
        scatter = math.sqrt(takes.var(axis=1, ddof=1).mean() / 3)
        heard = takes.mean(axis=1)
        found = correct_from_amplitudes(heard[0], list(zip(weights[1:], heard[1:], strict=True)), scatter, 8)
        covered.append(abs(found.weight + 1 / effect) < found.u95)
        known.append(abs(found.sensitivity - abs(effect)) < found.sensitivity_u95)
        off.append(abs(1 + effect * found.weight))
    for held in (covered, known):
        assert stats.binom(CASES, 0.93).ppf(0.001) <= sum(held) <= stats.binom(CASES, 0.97).ppf(0.999)
    assert np.quantile(off, 0.95) < 0.2


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: correct_from_amplitudes(5, [(1, 7)], 0.1), "1 trial runs do not tell the angle"),
        (lambda: correct_from_amplitudes(5, [*amplitudes([phasor(1, a) for a in ANGLES[:2]]), (0, 5)], 0.1), "do not tell the angle"),
        (lambda: correct_from_amplitudes(5, [(phasor(1, a), v) for a, v in zip(ANGLES, (5, 5, 4.9), strict=True)], 0.1), "do not fit any"),
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()


@pytest.mark.parametrize("freedom", [math.inf, 8])
@pytest.mark.parametrize("draws", [1, 3])
@pytest.mark.parametrize("truth", [0.0, 1.0, 2.0, 8.0])
def test_interval_of_a_size_covers_it(truth, draws, freedom):
    """Simulation; where nothing is there, intervals that begin at zero cover up to 97.5 % and a little."""
    rng = np.random.default_rng([int(truth), draws])
    covered = []
    for _ in range(CASES):
        noise = rng.standard_normal((draws, 2)) @ [1, 1j] / math.sqrt(2)
        error = 1.0 if math.isinf(freedom) else math.sqrt(rng.chisquare(freedom) / freedom)
        low, high = modulus_interval(float(np.mean(np.abs(truth + noise) ** 2)), error, freedom, draws)
        covered.append(low <= truth <= high)
    assert 0.92 < np.mean(covered) < 0.995


def test_the_size_of_one_vector_with_a_known_error():
    """Exact maths: noncentral chi-square of two parts; scipy.stats as reference."""
    from scipy.stats import ncx2

    low, high = modulus_interval(9.0, 1.0)
    assert ncx2.cdf(18, 2, 2 * low**2) == pytest.approx(0.975, abs=1e-6)
    assert ncx2.cdf(18, 2, 2 * high**2) == pytest.approx(0.025, abs=1e-6)


def test_a_size_without_scatter_has_no_interval():
    with pytest.raises(UsageError, match="repeat each run"):
        modulus_interval(1.0, math.nan)
