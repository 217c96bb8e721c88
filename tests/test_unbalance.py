"""Permissible unbalance, forces and placing of weights."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibekit.errors import UsageError
from vibekit.unbalance import (
    GRADES,
    allocate,
    balance_grade,
    grade_label,
    leaving_speed_m_s,
    mass_at,
    permissible_unbalance,
    pull_newton,
    split,
)


def test_permissible_unbalance_of_a_tool_holder():
    """Formula ISO 1940-1:2003 / ISO 21940-11:2016; worked example of a cutting-tool catalogue (published): 12 g mm, 6 g mm/kg."""
    assert permissible_unbalance(6.3, 2, 10_000) == pytest.approx(12.03, abs=0.01)
    assert permissible_unbalance(6.3, 2, 10_000) / 2 == pytest.approx(6.0161, abs=1e-4)


def test_permissible_unbalance_of_a_turbine_rotor_and_its_planes():
    """ISO 1940-1:2003, annex (= ISO 21940-11), from memory: 28.6e3, 10.7e3, 17.9e3 g mm; recomputed to 1 g mm."""
    whole = permissible_unbalance(2.5, 3600, 3000)
    assert whole == pytest.approx(28_648, abs=1)
    assert allocate(whole, 1500, 900) == pytest.approx((10_743, 17_905), abs=1)
    assert whole / 3600 == pytest.approx(7.958, abs=1e-3)  # micrometres


def test_grades():
    """ISO 1940-1:2003, Table 1, from memory: steps of 10^0.4, rounded to labels that 0.4 x 2.5^k does not give."""
    assert GRADES == (0.4, 1, 2.5, 6.3, 16, 40, 100, 250, 630, 1600, 4000)
    assert [upper / lower for lower, upper in pairwise(GRADES)] == pytest.approx([10**0.4] * 10, rel=0.02)
    assert round(0.4 * 2.5**10) == 3815
    assert [grade_label(g) for g in (0.39, 6.3, 6.31, 5000)] == ["G 0.4", "G 6.3", "G 16", "above G 4000"]


def test_residual_unbalance_of_pump_makers():
    """API 617 / API 684: 4 W/N oz in (lb, rpm) = 6350 W/N g mm (kg, rpm), seen in a comment citing API 684; it is G 0.665."""
    ounce, inch, pound = 28.349523125, 25.4, 0.45359237  # exact
    assert 4 * ounce * inch / pound == pytest.approx(6350.0, abs=0.1)
    assert balance_grade(6350, 1, 1) == pytest.approx(0.665, abs=1e-3)


def test_pull():
    """F = m r w^2, exact maths; the handbook's "1.77 (rpm / 1000)^2" pounds for 1 oz in: from memory."""
    assert pull_newton(1, 10_000) == pytest.approx(1.0966, abs=1e-4)
    assert pull_newton(28.349523125 * 25.4, 1000) / 4.4482216152605 == pytest.approx(1.7752, abs=1e-4)


def test_a_trial_weight_that_comes_off():
    """Exact maths: 0.1 g at 60 mm and 10 000 rpm pulls 6.58 N and leaves at 62.8 m/s."""
    assert pull_newton(0.1 * 60, 10_000) == pytest.approx(6.58, abs=0.005)
    assert leaving_speed_m_s(60, 10_000) == pytest.approx(62.8, abs=0.05)


@pytest.mark.parametrize(
    ("allowed", "expected"),  # vector resolution, any text, e.g. V. Wowk, Machinery Vibration: Balancing (1995); exact maths
    [((0, 120, 240), (11.3716, 3.9493)), ((0, 90, 180, 270), (9.3969, 3.4202)), (range(0, 360, 60), (7.4223, 3.9493))],
)
def test_splitting_a_weight(allowed, expected):
    first, second = split(10, 20, list(allowed))
    assert (first.size, second.size) == pytest.approx(expected, abs=1e-4)
    assert (first.angle_deg, second.angle_deg) == (0, 360 / len(allowed))


@given(st.floats(0.1, 10), st.floats(-720, 720), st.lists(st.floats(0, 359), min_size=3, max_size=9, unique=True))
def test_split_weights_add_up_to_the_whole(size, angle, allowed):
    try:
        placed = split(size, angle, allowed)
    except UsageError:
        gaps = sorted(allowed)
        assert max(b - a for a, b in zip(gaps, [*gaps[1:], gaps[0] + 360], strict=True)) >= 180 - 1e-6
        return
    total = sum(p.size * complex(math.cos(math.radians(p.angle_deg)), math.sin(math.radians(p.angle_deg))) for p in placed)
    wanted = size * complex(math.cos(math.radians(angle)), math.sin(math.radians(angle)))
    largest = max(p.size for p in placed)
    assert total == pytest.approx(wanted, abs=1e-8 * max(size, largest))
    assert all(p.size > 0 and p.angle_deg in allowed for p in placed)
    assert sum(p.size for p in placed) >= size * (1 - 1e-9)


def test_a_weight_on_an_allowed_place_is_not_split():
    assert [(p.angle_deg, p.size) for p in split(3, 480, [0, 120, 240])] == [(120, 3)]


def test_the_same_unbalance_at_another_radius():
    """Rao, section 9.4; exact maths."""
    assert mass_at(0.12, 60, 12) == pytest.approx(0.60, rel=1e-14)


def test_a_small_propeller():
    """exact maths: 50 g at 10 000 rpm."""
    fine = permissible_unbalance(6.3, 0.05, 10_000)
    assert fine == pytest.approx(0.3008, abs=1e-4)
    assert fine / 60 * 1000 == pytest.approx(5.0, abs=0.05)  # mg at 60 mm
    assert permissible_unbalance(2.5, 0.05, 10_000) == pytest.approx(0.1194, abs=1e-4)


def test_the_ten_percent_rule_is_no_good_for_small_fast_rotors():
    """Trial weight that pulls 10 % of the rotor's weight: field-balancing handbooks, from memory; the comparison is exact maths."""

    def ten_percent(mass_kg, rpm):
        return 0.1 * mass_kg * 9.80665 / pull_newton(1, rpm)

    assert ten_percent(0.05, 10_000) == pytest.approx(0.0447, abs=1e-4)
    assert permissible_unbalance(6.3, 0.05, 10_000) / ten_percent(0.05, 10_000) == pytest.approx(6.7, abs=0.05)
    assert ten_percent(0.05, 1486) == pytest.approx(permissible_unbalance(6.3, 0.05, 1486), rel=1e-3)


@given(st.sampled_from(GRADES), st.floats(1e-3, 1e4), st.floats(100, 1e5))
def test_grade_and_unbalance_undo_each_other(grade, mass, rpm):
    assert balance_grade(permissible_unbalance(grade, mass, rpm), mass, rpm) == pytest.approx(grade, rel=1e-12)
    assert grade_label(balance_grade(permissible_unbalance(grade, mass, rpm), mass, rpm)) == f"G {grade:g}"


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: permissible_unbalance(6.3, 0, 1000), "mass_kg is 0; it must be above 0"),
        (lambda: balance_grade(1, 1, -5), "rpm is -5; it must be above 0"),
        (lambda: allocate(1, 0, 3), "to_a_mm is 0; it must be above 0"),
        (lambda: mass_at(1, 5, 0), "new_radius_mm is 0; it must be above 0"),
        (lambda: split(1, 20, [0, 180]), "places at 0 and 180 degrees are 180 degrees apart; a weight splits only below 180"),
        (lambda: split(1, 20, [0]), "places at 0 and 0 degrees are 360 degrees apart"),
        (lambda: split(1, 20, []), "no angle is allowed"),
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()
