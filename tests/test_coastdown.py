"""Coast-downs: closed forms, an ODE solver as second implementation, and the rig's rotors with known friction."""

import os

import numpy as np
import pytest
from scipy import stats
from scipy.integrate import solve_ivp

from vibekit import coastdown
from vibekit.coastdown import CoastDown, coast_time, fit_coast_down
from vibekit.errors import UsageError
from vibekit.rig.hand_spin import UNEVEN, UNEVEN_TURNS, Rotor, coast_down

SHARE = 2 * np.pi  # from turns to radians
CASES = int(os.environ.get("VIBEKIT_INTERVALS", "25"))


def solved(drag, from_hz, *, step_s=0.02, least_hz=1.8):
    """Speed against time of dn/dt = -(a + b n + c n^2) by Runge-Kutta, down to `least_hz`."""
    a, b, c = drag

    def slow(t, n):
        return n[0] - least_hz

    slow.terminal = True
    found = solve_ivp(lambda t, n: -(a + b * n + c * n**2), (0, 200), [from_hz], events=slow, rtol=1e-10, atol=1e-12, dense_output=True)
    time = np.arange(0, found.t[-1], step_s)
    return time, found.sol(time)[0]


@pytest.mark.parametrize(
    ("b", "c", "seconds"),
    # J dw/dt = -(a + b w + c w^2) to a stand from 10 000 rpm; J = 2e-6 kg m2, a = 1.5e-4 N m: closed forms of the texts, exact
    [(0.0, 0.0, 13.96263), (2e-7, 0.0, 8.739106), (0.0, 3e-10, 9.210148), (2e-7, 3e-10, 7.009007)],
)
def test_stop_times_are_those_of_the_closed_forms(b, c, seconds):
    assert coast_time(np.array([1.5e-4, b, c]) / 2e-6, 1047.198, 0) == pytest.approx(seconds, rel=1e-6)


@pytest.mark.parametrize("drag", [(5.0, 0.0, 0.0), (4.0, 0.3, 0.0), (0.5, 3.0, 0.0), (3.0, 0.1, 0.02), (0.2, 0.0, 0.1)])
def test_times_between_two_speeds_are_those_of_an_ode_solver(drag):
    time, hz = solved(drag, 20.0, step_s=1e-3)
    between = np.interp(-2.5, -hz, time) - np.interp(-500 / 60, -hz, time)
    assert coast_time(drag, 500 / 60, 2.5) == pytest.approx(between, rel=1e-5)


@pytest.mark.parametrize(("speeds", "drag"), [((2.0, 3.0), (1, 0, 0)), ((3.0, -1.0), (1, 0, 0)), ((9.0, 1.0), (1.0, -0.5, 0.0))])
def test_a_rotor_that_does_not_slow_has_no_coast_time(speeds, drag):
    with pytest.raises(UsageError):
        coast_time(drag, *speeds)


@pytest.mark.parametrize("drag", [(6.0, 0.3, 0.0), (3.0, 0.0, 0.0), (2.0, 0.2, 0.03)])
def test_a_clean_coast_down_gives_its_drag_back(drag):
    fit = fit_coast_down(*solved(drag, 18.0, step_s=0.01))
    assert fit.drag == pytest.approx(drag, abs=0.02)
    assert fit.start_hz == pytest.approx(18.0, rel=1e-3)
    seconds, u95 = fit.between(500 / 60, 2.5)
    assert seconds == pytest.approx(coast_time(drag, 500 / 60, 2.5), rel=2e-3)
    assert u95 < 0.02 * seconds


def test_too_few_points_and_too_little_drop_say_nothing():
    time, hz = solved((6.0, 0.3, 0.0), 18.0)
    assert fit_coast_down(time[:7], hz[:7]) is None
    assert fit_coast_down(time[:20], hz[:20]) is None
    assert fit_coast_down(time, np.full(time.size, 10.0)) is None


def heard(seed, rotor, first_hz, noise=0.03, hop=0.032):
    """Speeds as they are heard: mean of each hop, with noise, until 105 rpm."""
    rng = np.random.default_rng(seed)
    time, turns, _ = coast_down(rng, rotor, first_hz)
    edge = np.arange(0.1, time[-1], hop)
    hz = np.diff(np.interp(edge, time, turns)) / hop + noise * rng.standard_normal(edge.size - 1)
    slow = np.flatnonzero(hz < 1.75)
    stop = slow[0] if slow.size else hz.size
    return (edge[:stop] + hop / 2), hz[:stop]


def rotor_with(seed, *, uneven=0.05):
    """A rotor that dry friction alone would stop from 17.5 Hz in 1.5 to 6 s, with cogging."""
    rng = np.random.default_rng([seed, 1])
    dry = SHARE * 17.5 / rng.uniform(1.5, 6)
    viscous = dry / (SHARE * 17.5) * rng.uniform(0.2, 1)
    order = int(rng.choice([36, 84]))
    held = SHARE * rng.uniform(25, 75) / 60
    return Rotor(1.0, dry, viscous, cogging=order * held**2 / 4, order=order, uneven=uneven)


@pytest.fixture(scope="module")
def fitted():
    """200 coast-downs of the rig: (fit, true dry drag in turns/s2, true viscous in 1/s)."""
    found = []
    for seed in range(200):
        rotor = rotor_with(seed)
        fit = fit_coast_down(*heard(seed, rotor, np.random.default_rng(seed).uniform(10, 25)))
        found.append((fit, rotor.dry / SHARE, rotor.viscous))
    return found


def test_intervals_hold_the_truth(fitted):
    times = [(*fit.between(500 / 60, 2.5), coast_time([dry, viscous, 0], 500 / 60, 2.5)) for fit, dry, viscous in fitted]
    covered = {
        "dry": np.mean([abs(fit.part(0)[0] - dry) < fit.part(0)[1] for fit, dry, _ in fitted]),
        "viscous": np.mean([abs(fit.part(1)[0] - viscous) < fit.part(1)[1] for fit, _, viscous in fitted]),
        "time": np.mean([abs(seconds - true) < u95 for seconds, u95, true in times]),
    }
    assert min(covered.values()) > 0.91, covered  # 95 % of 200 within 2.6 standard deviations of the count


@pytest.mark.parametrize("shared", [0.0, 0.5], ids=["white", "coloured"])
@pytest.mark.parametrize("uneven", [0.05, 0.1, 0.2, 0.45])
def test_intervals_hold_the_truth_however_uneven_the_friction(uneven, shared):
    """Noise of the speeds white, or such that neighbouring frames share half of it; VIBEKIT_INTERVALS=2000 draws as many.

    uneven: from place to place; the mean of a turn, of which a weak prior is used, is as uneven by 0.57 times that. The last is
    that of grit at eight limits.
    """
    held = []
    for seed in range(5000, 5000 + CASES):
        rotor, rng = rotor_with(seed, uneven=uneven), np.random.default_rng([seed, 3])
        time, hz = heard(seed, rotor, rng.uniform(10, 25), noise=0.0)
        each = rng.standard_normal(hz.size + 1)
        fit = fit_coast_down(time, hz + 0.03 * (each[1:] + shared * each[:-1]) / np.hypot(1, shared))
        seconds, u95 = fit.between(500 / 60, 2.5) or (np.nan, np.inf)
        known = (*fit.part(0), rotor.dry / SHARE), (*fit.part(1), rotor.viscous)
        true = coast_time([rotor.dry / SHARE, rotor.viscous, 0], 500 / 60, 2.5)
        held.append([abs(value - truth) <= reach for value, reach, truth in known] + [not abs(seconds - true) > u95])
    found = np.sum(held, axis=0)
    assert np.all((found >= stats.binom(CASES, 0.93).ppf(0.001)) & (found <= stats.binom(CASES, 0.975).ppf(0.999))), found / CASES


def test_what_is_expected_of_uneven_friction_is_what_motors_of_the_rig_have():
    """Mean over a turn of what stays alike over tau turns (Uhlenbeck & Ornstein 1930): variance 2 tau^2 (1 / tau - 1 + exp(-1 / tau))."""
    turn = np.sqrt(2 * UNEVEN_TURNS**2 * (1 / UNEVEN_TURNS - 1 + np.exp(-1 / UNEVEN_TURNS)))
    seen = np.log([UNEVEN * turn * (1 + limits) for limits in (*[0] * 8, 2, 4, 8, 20)])
    assert np.exp(seen.mean()) == pytest.approx(coastdown.UNEVEN[0], rel=0.02)
    assert seen.std() == pytest.approx(coastdown.UNEVEN[1], rel=0.05)


def test_drag_and_coast_time_come_out_within_five_per_cent(fitted):
    three = [fitted[i : i + 3] for i in range(0, 198, 3)]  # three flicks each; each against its own truth, then the mean
    time = [np.mean([f.between(500 / 60, 2.5)[0] / coast_time([a, b, 0], 500 / 60, 2.5) for f, a, b in group]) - 1 for group in three]
    drag = [np.mean([f.part(0)[0] / a for f, a, _ in group]) - 1 for group in three]
    assert np.mean(np.abs(time) < 0.05) == 1.0
    assert np.mean(np.abs(drag) < 0.05) > 0.93


def test_air_is_seldom_seen_where_there_is_none(fitted):
    assert np.mean([fit.drag[2] > 0 for fit, _, _ in fitted]) < 0.06
    assert not any(fit.has_propeller for fit, _, _ in fitted[:100])


def test_parts_are_stated_only_where_they_are_known(fitted):
    stated = [fit.known(1) for fit, _, _ in fitted]
    assert 0.05 < np.mean([pair is not None for pair in stated]) < 0.95
    assert all(u95 < 0.3 * value for value, u95 in filter(None, stated))
    assert all(fit.known(2) is None for fit, _, _ in fitted if fit.drag[2] == 0)


def test_rough_friction_widens_the_intervals(fitted):
    rough = [fit_coast_down(*heard(seed, rotor_with(seed, uneven=0.2), 18.0)) for seed in range(40)]
    even = [fit_coast_down(*heard(seed, rotor_with(seed, uneven=0.0), 18.0)) for seed in range(40)]
    share = [np.median([fit.part(0)[1] / fit.drag[0] for fit in fits if fit.drag[0] > 0]) for fits in (rough, even)]
    assert share[0] > 2 * share[1]


def test_a_braking_controller_is_recognised():
    # a motor with joined windings brakes with k^2 w / R (Hanselman): all but exponential
    braked: list[CoastDown | None] = []
    for seed in range(40):
        rotor = rotor_with(seed)
        rotor = Rotor(1.0, rotor.dry, 5.0, cogging=rotor.cogging, order=rotor.order, uneven=0.05)
        braked.append(fit_coast_down(*heard(seed, rotor, 20.0, hop=0.016)))
    assert np.mean([fit is not None and fit.braked for fit in braked]) > 0.9


def test_good_motors_do_not_look_braked(fitted):
    assert not any(fit.braked for fit, _, _ in fitted)


def test_a_propeller_is_recognised():
    # air drag of a 5 inch propeller: power coefficient 0.05 of rho n^3 D^5 (Brandt & Selig, AIAA 2011-1255), on 2.4e-6 + 5e-6 kg m2
    c = 0.05 * 1.2 * 0.127**5 / (SHARE**2 * 7.4e-6)  # torque is power over 2 pi n; the slowing is torque over 2 pi J
    time, hz = heard(3, Rotor(1.0, 2.0 * SHARE, 0.1, drag=c / SHARE, order=84, uneven=0.05), 25.0)
    fit = fit_coast_down(time, hz)
    assert fit.has_propeller
    assert not fit.braked
