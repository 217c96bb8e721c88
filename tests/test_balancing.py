"""Influence coefficients, and invariances that hold exactly."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibekit.balancing import Run, correct, influence, phasor, trial_is_enough
from vibekit.errors import UsageError


def run(weights, readings):
    return Run(np.array(weights, complex), np.array(readings, complex))


def size_and_angle(value):
    return abs(value), np.degrees(np.angle(value)) % 360


TURBINE = (
    run([0, 0], [phasor(8.5, 60), phasor(6.5, 205)]),
    run([phasor(10, 270), 0], [phasor(6.0, 125), phasor(4.5, 230)]),
    run([0, phasor(12, 180)], [phasor(6.0, 35), phasor(10.5, 160)]),
)


def test_two_plane_balancing_of_a_turbine_rotor():
    """S.S. Rao, Mechanical Vibrations (4th/5th ed.), section 9.4.2; from memory, and data and answers reproduce each other.

    mils, ounces, degrees counter-clockwise. The printed answer is the unbalance that the rotor has (readings = matrix @ unbalance);
    the weights that take it away lie opposite.
    """
    found = influence(TURBINE)
    expected = [[0.2446 - 0.7691j, -0.0554 + 0.3266j], [0.0700 + 0.2998j, 0.3313 - 0.5282j]]
    np.testing.assert_allclose(found.matrix, expected, atol=1e-4)
    left, right = correct(found).unbalance
    assert size_and_angle(left) == pytest.approx((10.0561, 145.5548), abs=1e-4)
    assert size_and_angle(right) == pytest.approx((5.8774, 248.2559), abs=1e-4)
    assert size_and_angle(correct(found).weights[0]) == pytest.approx((10.0561, 325.5548), abs=1e-4)
    np.testing.assert_allclose(TURBINE[0].readings + found.matrix @ correct(found).weights, 0, atol=1e-12)
    assert np.isinf(correct(found).u95).all()  # three runs for three unknowns: nothing tells the scatter


def test_one_plane_by_the_vector_triangle():
    """Exact maths: B = -V0 W / (V1 - V0)."""
    before, after, trial = phasor(5, 40), phasor(4, 130), phasor(2, 90)
    found = correct(influence([run([0], [before]), run([trial], [after])]))
    assert found.weights[0] == pytest.approx(-before * trial / (after - before))


complexes = st.complex_numbers(min_magnitude=0.5, max_magnitude=5, allow_nan=False, allow_infinity=False)
rotors = st.tuples(st.lists(complexes, min_size=2, max_size=2), st.lists(complexes, min_size=4, max_size=4)).filter(
    lambda r: np.linalg.cond(np.reshape(r[1], (2, 2))) < 30
)


def trials(original, matrix, weights):
    return [run(w, original + matrix @ np.array(w)) for w in ([0, 0], [weights[0], 0], [0, weights[1]])]


@given(rotors, st.tuples(complexes, complexes), st.floats(0, 360))
def test_what_changes_nothing(rotor, weights, turn):
    original, matrix = np.array(rotor[0]), np.reshape(rotor[1], (2, 2))
    runs = trials(original, matrix, weights)
    truth = -np.linalg.solve(matrix, original)
    close = {"rtol": 1e-7, "atol": 1e-7}
    np.testing.assert_allclose(correct(influence(runs)).weights, truth, **close)
    double = trials(original, matrix, [2 * w for w in weights])  # a trial twice as heavy has twice the effect
    np.testing.assert_allclose(correct(influence(double)).weights, truth, **close)
    turned = [Run(r.weights, r.readings * phasor(1, turn)) for r in runs]  # the phase mark moved: masses stay where they are
    np.testing.assert_allclose(correct(influence(turned)).weights, truth, **close)
    mirrored = [Run(r.weights.conj(), r.readings.conj()) for r in runs]  # angles counted the other way round
    np.testing.assert_allclose(correct(influence(mirrored)).weights, truth.conj(), **close)
    kept = [Run(r.weights + truth, r.readings + matrix @ truth) for r in runs]  # balanced first: the same first state is found
    np.testing.assert_allclose(correct(influence(kept)).weights, truth, **close)
    balanced = trials(original + matrix @ truth, matrix, weights)
    np.testing.assert_allclose(correct(influence(balanced)).weights, 0, atol=1e-6)


def test_least_squares_over_more_points_than_planes():
    """Exact maths: numpy's own least squares on the stacked equations."""
    rng = np.random.default_rng(1)
    original, matrix = (rng.standard_normal(shape) + 1j * rng.standard_normal(shape) for shape in ((5,), (5, 2)))
    found = correct(influence(trials(original, matrix, [1.0, 1.0j])))
    np.testing.assert_allclose(found.weights, -np.linalg.lstsq(matrix, original, rcond=None)[0], atol=1e-12)
    assert np.linalg.norm(found.residual) < np.linalg.norm(original)


def test_earlier_runs_lend_their_coefficients_to_a_new_fitting():
    """Exact maths: an earlier trial tells the matrix, the new first vibration alone tells the weights (trim balance)."""
    matrix, before, after = np.array([[1.0, 0.3j], [0.2, -0.8]]), np.array([1.0, 0.6j]), np.array([0.4j, -0.3])
    earlier = trials(before, matrix, [1.0, 1.0j])
    found = correct(influence([*earlier, Run(np.zeros(2, complex), after, fitting=1)]))
    np.testing.assert_allclose(found.weights, -np.linalg.solve(matrix, after), atol=1e-12)
    stacked = np.array([[1, 0, *r.weights] for r in earlier] + [[0, 1, 0, 0]])  # the same by numpy's own least squares
    solution = np.linalg.lstsq(stacked, np.array([*(r.readings for r in earlier), after]), rcond=None)[0]
    np.testing.assert_allclose(influence([*earlier, Run(np.zeros(2, complex), after, fitting=1)]).matrix, solution[2:].T, atol=1e-12)


def test_uncertainty_of_one_plane_in_closed_form():
    """Complex law of propagation (JCGM 102:2011): (u_B/|B|)^2 = s^2 |1/V0 + 1/(V1-V0)|^2 + s^2 / |V1-V0|^2."""
    before, after, scatter = phasor(5, 40), phasor(4, 100), 0.1
    found = correct(influence([run([0], [before]), run([1], [after])], scatter))
    relative = scatter * np.hypot(abs(1 / before + 1 / (after - before)), 1 / abs(after - before))
    assert found.u95[0] == pytest.approx(np.sqrt(np.log(20)) * relative * abs(found.weights[0]), rel=1e-12)


@pytest.mark.parametrize(("effect", "relative"), [(0.3, 0.26), (1.0, 0.101), (2.0, 0.071)])
def test_error_of_the_correction_against_the_effect_of_the_trial(effect, relative):
    """Monte Carlo, noise 5 % of the original: rms relative error, first order. Mean over the angle of the effect."""
    turn = np.exp(2j * np.pi * np.arange(360) / 360)
    squares = [np.hypot(abs(1 + 1 / (effect * t)), 1 / effect) ** 2 for t in turn]
    assert 0.05 * np.sqrt(np.mean(squares)) == pytest.approx(relative, rel=0.15)
    for t in turn[::60]:
        found = correct(influence([run([0], [1]), run([1], [1 + effect * t])], 0.05))
        assert found.u95[0] / abs(found.weights[0]) / np.sqrt(np.log(20)) == pytest.approx(
            0.05 * np.hypot(abs(1 + 1 / (effect * t)), 1 / effect), rel=1e-9
        )


def test_simulated_error_agrees_with_the_first_order_law():
    """Within a few percent where the trial's effect is as large as the original vibration."""
    rng = np.random.default_rng(2)
    scatter, after = 0.05, 1 + np.exp(1j)
    noise = scatter / np.sqrt(2) * (rng.standard_normal((2, 20_000)) + 1j * rng.standard_normal((2, 20_000)))
    errors = -(1 + noise[0]) / (after + noise[1] - 1 - noise[0]) + 1 / (after - 1)
    claimed = correct(influence([run([0], [1]), run([1], [after])], scatter)).u95[0] / np.sqrt(np.log(20))
    assert np.sqrt(np.mean(np.abs(errors) ** 2)) == pytest.approx(claimed, rel=0.03)


@pytest.mark.parametrize("stated", [True, False])
@pytest.mark.parametrize("planes", [1, 2])
def test_circles_cover_the_true_weights(stated, planes):
    rng = np.random.default_rng(3)
    points, scatter, covered = planes, 0.02, []
    matrix = np.array([[1.0, 0.3j], [0.2, -0.8]])[:planes, :planes]
    original = np.array([1.0, 0.6j])[:planes]
    truth = -np.linalg.solve(matrix, original)
    states = [np.zeros(planes), *np.eye(planes), np.zeros(planes), *(np.eye(planes) * 1j)]
    for _ in range(1500):
        noise = scatter / np.sqrt(2) * (rng.standard_normal((len(states), points)) + 1j * rng.standard_normal((len(states), points)))
        runs = [run(w, original + matrix @ w + e) for w, e in zip(states, noise, strict=True)]
        found = correct(influence(runs, scatter if stated else None))
        covered.append(np.abs(found.weights - truth) < found.u95)
    assert 0.93 < np.mean(covered) < 0.97


def test_thirty_thirty_rule():
    """Handbook rule, after Thearle 1934: from memory."""
    assert trial_is_enough(5, 6.5)
    assert not trial_is_enough(5, 6.4)
    assert trial_is_enough(5, phasor(5, 30.001))
    assert not trial_is_enough(5, phasor(5, -29))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: influence([]), "runs differ in planes or measuring points"),
        (lambda: influence([run([0], [1]), run([0, 1], [1])]), "runs differ in planes or measuring points"),
        (lambda: influence([run([0], [1])]), "1 runs do not tell 1 planes apart"),
        (lambda: influence([run([0, 0], [1, 1]), run([1, 1], [2, 1]), run([2, 2], [3, 1])]), "3 runs do not tell 2 planes apart"),
        (lambda: correct(influence([run([0, 0], [1]), run([1, 0], [2]), run([0, 1], [3])])), "1 measuring points cannot balance 2 planes"),
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()
