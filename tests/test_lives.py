"""Lives of motors: an alarm before the end, none in health. VIBEKIT_LIVES=2000 draws as many of either; some run through the whole rig.

2 000 and 2 000 were drawn once; see DEVELOPERS.md.
"""

import os
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest

from tests.lives import GROWS, draw_life
from vibekit.history import own_pasts
from vibekit.reading import Quantity
from vibekit.rig import Fault, draw_craft
from vibekit.rig.quantity import sizing_test
from vibekit.rig_case import rig_reading

LIVES = int(os.environ.get("VIBEKIT_LIVES", "39"))
WEEK, START = timedelta(days=7), datetime(2026, 1, 5, tzinfo=UTC)
MISSED, FALSE = 0.02, 0.005


def kept(readings, every=WEEK):
    return [
        SimpleNamespace(id=str(k), reading=r, settings=r.settings, setup="", when=START + k * every, comparable=r)
        for k, r in enumerate(readings)
    ]


def first_alarm(readings):
    """Index of the first reading at which an alarm stood, as one who looks after each sitting sees it; None when none did."""
    (own,) = own_pasts(kept(readings), kept(readings), ())
    sums = [int(at) for at in own.chart.alarm if at >= 0]
    scores = [int((each >= own.score_limit).argmax()) for each in own.scores.values() if (each >= own.score_limit).any()]
    return min([*sums, *scores], default=None)


def most(count, share):
    """The largest number of events that count cases with this chance of one give, but for once in a thousand."""
    from scipy.stats import binom

    return int(binom.ppf(0.999, count, share))


def test_the_alarm_comes_before_the_motor_fails():
    missed, early = [], []
    for seed in range(30_000, 30_000 + LIVES):
        life = draw_life(seed, GROWS[seed % len(GROWS)])
        assert len(life.readings) - life.onset >= 5
        alarm = first_alarm(life.readings)
        if alarm is None:
            missed.append((seed, life.condition))
        elif alarm < life.onset:
            early.append((seed, life.condition))
    assert len(missed) <= (MISSED * LIVES if LIVES >= 1000 else most(LIVES, MISSED)), missed
    assert len(early) <= (FALSE * LIVES if LIVES >= 1000 else most(LIVES, FALSE)), early


def test_a_healthy_life_raises_no_alarm():
    alarms = [
        seed for seed in range(40_000, 40_000 + LIVES) if first_alarm(draw_life(seed, "healthy", sound=(20, 40)).readings) is not None
    ]
    assert len(alarms) <= (FALSE * LIVES if LIVES >= 1000 else most(LIVES, FALSE)), alarms


def test_a_bearing_that_always_showed_pulses_has_not_changed_and_one_that_shows_more_has():
    """By how much they show is settled by the verdict, which needs no past."""
    life = draw_life(30_001, "bearing-outer")

    def showing(scores):
        return [
            replace(r, quantities=(*(q for q in r.quantities if q.name != "outer race"), Quantity("outer race", s, 0.0, "-log10 p")))
            for r, s in zip(life.readings, scores, strict=False)
        ]

    assert first_alarm(showing([2.0, 2.4, 1.7, 2.1, 2.2, 1.9, 2.3, 2.0])) is None
    assert first_alarm(showing([0.0, 0.1, 0.0, 0.0, 0.2, 3.0, 4.0, 5.0])) in (6, 7)


@pytest.mark.parametrize(("seed", "condition"), [(7001, "bearing-outer"), (7002, "loose-propeller")])
def test_a_life_on_the_whole_rig_goes_as_the_drawn_ones(seed, condition):
    craft, test = draw_craft(seed), sizing_test(condition)
    sound = [rig_reading(craft, test, "contact", take) for take in range(6)]
    ill = [rig_reading(craft, test, "contact", 6 + k, Fault(condition, severity)) for k, severity in enumerate((0.5, 1.5, 4.0, 7.0, 11.0))]
    assert first_alarm(sound) is None
    assert first_alarm([*sound, *ill]) >= len(sound)
