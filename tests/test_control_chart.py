"""Control charts against published tables, and against what they state of themselves; trends against drawn lines."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from vibekit.control_chart import SLACK, chart, limit_for, run_length
from vibekit.trend import trend_of

START = datetime(2026, 1, 5, tzinfo=UTC)
MANY = 6000


# Montgomery, Introduction to Statistical Quality Control, tables 9.3 and 9.4: two-sided cusums, whose run length is half that of one side
# when nothing changed and that of one side when something did (from memory)
@pytest.mark.parametrize(("limit", "at_rest", "shifted"), [(4.0, 168, 8.38), (5.0, 465, 10.4)])
def test_run_lengths_are_those_of_the_tables(limit, at_rest, shifted):
    assert run_length(limit, 0.5) / 2 == pytest.approx(at_rest, rel=0.01)
    assert run_length(limit, 0.5, shift=1.0) == pytest.approx(shifted, rel=0.01)


@pytest.mark.parametrize(("slack", "limit"), [(0.25, 8.01), (0.5, 4.77), (0.75, 3.34), (1.0, 2.52), (1.25, 1.99), (1.5, 1.61)])
def test_limits_for_one_false_alarm_in_370_are_those_of_the_tables(slack, limit):
    assert run_length(limit, slack) / 2 == pytest.approx(370, rel=0.02)


@pytest.mark.parametrize("sittings", [1e2, 1e4, 1e6, 1e8])
def test_a_limit_gives_back_the_run_length_it_was_asked_for(sittings):
    assert run_length(limit_for(sittings), SLACK) == pytest.approx(sittings, rel=0.01)


def drawn(worth, sittings, seed=1):
    """Healthy courses of MANY quantities, each with a spread of its own that nobody told the chart."""
    rng = np.random.default_rng(seed)
    spread = np.sqrt(worth / rng.chisquare(worth, MANY))
    return rng.standard_normal((sittings, MANY)) * spread, spread


def charted(values, worth, limit, **more):
    none = np.zeros_like(values)
    return chart(values, none, np.ones(MANY), np.full(MANY, worth), np.zeros(MANY, bool), limit, **more)


@pytest.mark.parametrize("worth", [1.5, 3.0, 6.0])
def test_a_baseline_of_few_sittings_raises_no_more_false_alarms_than_stated(worth):
    values, _ = drawn(worth, 60)
    alarms = (charted(values, worth, limit_for(2000.0)).alarm >= 0).mean()
    stated = -np.expm1(-60 / 2000)
    assert alarms <= stated + 3 * np.sqrt(stated / MANY)
    assert alarms >= stated / 3  # and not by never seeing anything


@pytest.mark.parametrize("sound", [3, 10, 30])
def test_a_fault_that_grows_over_six_sittings_is_seen_before_it_ends(sound):
    values, spread = drawn(3.0, sound + 6)
    values[sound:] += 2.8 * np.array([0.3, 0.8, 1.8, 4.0, 8.0, 15.0])[:, None] * spread
    assert (charted(values, 3.0, limit_for(7e5)).alarm >= sound).mean() > 0.99


def test_one_sitting_on_a_quiet_chart_never_raises_the_alarm_and_two_at_its_level_do():
    values, _ = drawn(3.0, 14)
    values[12] = 1e3
    values[13] = values[:12].mean(axis=0)
    limit = limit_for(7e5)
    quiet = charted(values[:12], 3.0, limit)
    at_rest = quiet.heights[-1] == 0
    assert (charted(values, 3.0, limit).alarm[at_rest] < 0).all()
    values[12:] = quiet.alarm_levels[12] + 1e-3
    at_rest &= np.isfinite(values[12])  # one that scatters by 100 dB has no level that stands out
    assert at_rest.mean() > 0.5
    twice = charted(values, 3.0, limit)
    np.testing.assert_allclose(twice.deviates[12, at_rest], SLACK + limit / 2, atol=0.01)  # what the level promises
    assert (charted(np.vstack([values[:12], values[12:13]]), 3.0, limit).alarm < 0).mean() > 0.99


def test_work_on_a_motor_begins_its_sums_anew_and_keeps_an_alarm_out_of_the_baseline():
    values, _ = drawn(3.0, 20)
    values[10:13] += 30.0
    mended = np.arange(20) == 13
    limit = limit_for(7e5)
    ill, after = charted(values[:13], 3.0, limit), charted(values, 3.0, limit, restarts=mended)
    risen = ill.alarm >= 0
    assert risen.mean() > 0.9
    assert (after.alarm[risen] < 0).mean() > 0.99
    kept = after.baselines[-1].used[risen]
    assert np.median(kept) == 17  # the three sittings of the climb do not count


def test_sittings_of_which_a_fault_was_claimed_are_no_baseline():
    values, _ = drawn(3.0, 8)
    nothing = charted(values, 3.0, 5.0, sound=np.zeros(8, bool))
    assert np.isnan(nothing.deviates).all()
    assert (nothing.alarm == -1).all()
    assert np.isnan(nothing.alarm_levels).all()


@pytest.mark.parametrize("sittings", [2, 3, 6, 20])
def test_the_interval_of_a_trend_covers_the_true_slope_however_few_the_sittings(sittings):
    rng = np.random.default_rng(sittings)
    inside = 0
    for _ in range(800):
        spread = 1.5 * np.sqrt(3.0 / rng.chisquare(3.0))
        days = np.sort(rng.uniform(0, 200, sittings))
        moments = [START + timedelta(days=float(day)) for day in days]
        found = trend_of(moments, 0.7 * days / 30 + spread * rng.standard_normal(sittings), 1.5, 3.0)
        inside += abs(found.slope - 0.7) <= found.u95
    assert inside / 800 == pytest.approx(0.95, abs=0.025)  # three standard errors of a share of 0.95


def test_one_sitting_has_no_trend():
    assert trend_of([START], np.array([1.0]), 1.0, 3.0) is None
