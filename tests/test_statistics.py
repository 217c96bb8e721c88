"""Uncertainty and outliers against the GUM, NIST and Rosner. "From memory": recalled, not seen in print."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibekit.errors import UsageError
from vibekit.statistics import (
    SUSPECT,
    correlation,
    find_outliers,
    fit_line,
    largest_z,
    leave_one_out,
    means_of,
    modified_z,
    propagate,
    repeatability_limit,
    robust_centre,
)

# NIST/SEMATECH e-Handbook 1.3.5.17.3, after B. Rosner, Technometrics 25 (1983): 54 values (published)
ROSNER = [
    -0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65, 1.69, 1.70, 1.76, 1.77, 1.81,
    1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26, 2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92,
    2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30, 4.64, 5.34, 5.42, 6.01,
]  # fmt: skip


def test_ratio_of_correlated_measurements():
    """JCGM 100:2008 (GUM), annex H.2, Tables H.2 to H.4, from memory: resistance, reactance, impedance.

    u(X) recomputes to 0.2956 where the GUM prints 0.295: allowed 0.001.
    """
    voltage = [5.007, 4.994, 5.005, 4.990, 4.999]  # V
    current = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]  # A
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]  # rad
    means, covariance = means_of([voltage, current, phase])
    inputs = correlation(covariance)
    assert (inputs[0, 1], inputs[0, 2], inputs[1, 2]) == pytest.approx((-0.36, 0.86, -0.65), abs=0.006)

    def impedance(x):
        ratio = x[0] / x[1]
        return np.array([ratio * np.cos(x[2]), ratio * np.sin(x[2]), ratio])

    values, spread = propagate(impedance, means, covariance)
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=5.1e-4)
    assert np.sqrt(np.diag(spread)) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    outputs = correlation(spread)
    assert (outputs[0, 1], outputs[0, 2], outputs[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=6e-4)


def test_calibration_line():
    """JCGM 100:2008, annex H.3, from memory: thermometer corrections, line about 20 degrees."""
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = fit_line(t, b, origin=20)
    assert (line.intercept, line.slope) == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert np.sqrt(np.diag(line.covariance)) == pytest.approx([0.0029, 0.00067], rel=0.02)
    assert correlation(line.covariance)[0, 1] == pytest.approx(-0.930, abs=5e-4)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    assert line.at(30) == pytest.approx((-0.1494, 0.0041), abs=5e-5)
    assert (line.freedom, line.reach_95) == (9, pytest.approx(2.262, abs=1e-3))  # Student, any table


def test_line_interval_covers_the_truth():
    rng = np.random.default_rng(1)
    x = np.linspace(0, 5, 7)
    covered = []
    for _ in range(2000):
        line = fit_line(x, 3 - 2 * x + rng.standard_normal(7))
        height, u = line.at(6)
        covered.append([abs(height + 9) < line.reach_95 * u, abs(line.slope + 2) < line.reach_95 * np.sqrt(line.covariance[1, 1])])
    assert ((np.mean(covered, axis=0) > 0.93) & (np.mean(covered, axis=0) < 0.97)).all()


def test_repeatability_limit():
    """ISO 5725-1 and -6:1994, from memory: 1.96 sqrt 2 = 2.7719, which the standard rounds to 2.8."""
    assert repeatability_limit(1) == pytest.approx(2.7719, abs=1e-4)
    assert round(repeatability_limit(1), 1) == 2.8


def test_generalised_extreme_studentised_deviates():
    """As printed by NIST, which truncates. The second statistic fails its limit and the third passes: the largest step counts."""
    found = find_outliers(ROSNER, 10)
    assert found.statistic == pytest.approx([3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067], abs=2e-3)
    assert found.limit == pytest.approx([3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085], abs=2e-3)
    assert found.statistic[1] < found.limit[1]
    assert found.statistic[2] > found.limit[2]
    assert [ROSNER[i] for i in found.index[: found.count]] == [6.01, 5.42, 5.34]


def test_no_outliers_are_called_among_normal_values_more_than_once_in_twenty():
    rng = np.random.default_rng(2)
    called = np.mean([find_outliers(rng.standard_normal(30), 3).count > 0 for _ in range(2000)])
    assert called == pytest.approx(0.05, abs=0.015)


def test_modified_z():
    """Rule: Iglewicz & Hoaglin 1993 (published); numbers computed on Rosner's values."""
    scores = modified_z(ROSNER)
    flagged = np.abs(scores) > SUSPECT
    assert [v for v, flag in zip(ROSNER, flagged, strict=True) if flag] == [5.34, 5.42, 6.01]
    assert scores[-3:] == pytest.approx([4.016, 4.115, 4.845], abs=1e-3)
    assert np.sort(np.abs(scores))[-4] == pytest.approx(3.150, abs=1e-3)


@pytest.mark.parametrize(("n", "z"), [(4, 1.5), (6, 2.041), (7, 2.268), (8, 2.475), (10, 2.846), (12, 3.175)])
def test_largest_possible_z(n, z):
    """Shiffler, Am. Statistician 42 (1988); n = 7 published (2.27). One value far from n - 1 equal ones reaches it."""
    assert largest_z(n) == pytest.approx(z, abs=5e-4)
    values = np.array([1e6] + [0.0] * (n - 1))
    assert ((values - values.mean()) / values.std(ddof=1)).max() == pytest.approx(largest_z(n))


def test_one_bad_motor_among_four_is_found():
    found = leave_one_out([20.0, 21.0, 20.5, 32.0], 1.0)
    assert [d.stands_out for d in found] == [False, False, False, True]
    assert found[3].difference == 11.5
    assert not any(d.stands_out for d in leave_one_out([20.0, 21.0, 20.5, 21.2], 1.0))


@pytest.mark.parametrize("n", [2, 4, 6])
def test_departures_of_motors_that_are_alike(n):
    """With nothing but repeatability between them one in 20 stands out; the spread of five others is noisy and only ever widens."""
    rng = np.random.default_rng(3)
    calls = np.mean([[d.stands_out for d in leave_one_out(rng.standard_normal(n), 1.0)] for _ in range(3000)])
    assert calls == pytest.approx(0.05, abs=0.01) if n <= 4 else calls < 0.05


def test_the_centre_of_many_motors_covers_the_truth():
    rng = np.random.default_rng(4)
    covered = [abs((c := robust_centre(rng.standard_normal(3), 1.0)).value) < c.u95 for _ in range(3000)]
    assert 0.93 < np.mean(covered) < 0.97


@pytest.mark.parametrize("n", [1, 2, 3, 4, 5, 6, 7, 8, 9, 12, 25])
def test_scatter_of_the_median(n):
    medians = np.median(np.random.default_rng(5).standard_normal((100_000, n)), axis=1)
    assert robust_centre(np.zeros(n), 1.0).u95 == pytest.approx(1.96 * medians.std(), rel=0.012)  # 0.5 % of it the simulation's


@given(st.lists(st.floats(-100, 100), min_size=4, max_size=12), st.floats(1e3, 1e6))
def test_one_wild_value_hardly_moves_the_centre(values, wild):
    quiet, stirred = robust_centre(values, 1.0), robust_centre([*values, wild], 1.0)
    assert min(values) <= stirred.value <= max(values)
    assert quiet.spread >= 1


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: means_of([[1.0], [2.0]]), "repeats are 1; their scatter needs at least 2"),
        (lambda: fit_line([1, 1, 1], [1, 2, 3]), "a line with its scatter needs 3 or more, not all at one x"),
        (lambda: fit_line([1, 2], [1, 2]), r"points have shapes \(2,\) and \(2,\)"),
        (lambda: find_outliers([1, 2, 3, 4], 2), "most is 2; with 4 values it must be from 1 to 1"),
        (lambda: modified_z([1, 1, 1, 5]), "more than half of the values are the same"),
        (lambda: robust_centre([], 1), "there are no values"),
        (lambda: robust_centre([1], 0), "deviation is 0; what repeating scatters by must be above 0"),
        (lambda: leave_one_out([1], 1), "there are 1 values; comparing needs at least 2"),
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()
