"""The swap test, on the rig: on more craft when VIBEKIT_SWAP_CRAFT says so, with faults of 2 to 20 repeatability limits.

The craft are drawn otherwise than those that the repeatability was measured on; see tests/swaps.py.
"""

import math
import os
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from swaps import SwapBench, exchanges

from vibekit.analysis import analyze
from vibekit.bare_and_propeller import Bare, _weigh, judge_bare
from vibekit.gain import common_gain, wary_gain
from vibekit.repeatability import load_repeatability
from vibekit.rig import Fault, draw_craft, record
from vibekit.rig_case import rig_settings
from vibekit.swap import judge_swap
from vibekit.swap_evidence import DIFFER

CRAFT = int(os.environ.get("VIBEKIT_SWAP_CRAFT", "1"))
FIRST_SEED = 4001 if CRAFT == 1 else 8001
RIGHT, WRONG = 0.97, 0.01  # of healthy rotors and single faults
ENOUGH = 250  # cases from which the shares hold as they stand


@pytest.fixture(scope="module")
def benches():
    return [SwapBench(seed) for seed in range(FIRST_SEED, FIRST_SEED + CRAFT)]


@pytest.fixture(scope="module")
def cases(benches):
    return [case for bench in benches for case in (bench.cases() if CRAFT > 1 else bench.few())]


def judge(case, **changed):
    case = replace(case, **changed)
    return judge_swap(case.first, case.second, load_repeatability(), [case.untouched] if case.untouched else ())


def marks(answers):
    """answers: (true, said)."""
    return Counter("right" if true == said else "cannot tell" if said == "cannot tell" else "wrong" for true, said in answers)


def most(count, share):
    """How many of `count` may be so when the share of all is `share`: one in a hundred by chance."""
    return share * count if count >= ENOUGH else stats.binom.ppf(0.99, count, share)


def test_the_fault_is_where_the_swap_says(cases):
    single = [case for case in cases if case.truth != "both"]
    answers = [(case.truth, judge(case).answer) for case in single]
    said, missed = marks(answers), [(case.condition, *each) for case, each in zip(single, answers, strict=True) if each[0] != each[1]]
    assert said["wrong"] <= most(len(single), WRONG), missed
    assert len(single) - said["right"] <= most(len(single), 1 - RIGHT) + (CRAFT == 1), missed
    both = Counter(judge(case).answer for case in cases if case.truth == "both")
    assert both["refit"] == 0


def test_what_shows_bare_is_the_motors(cases):
    """The same readings without the swap: nothing that only the swap tells is claimed."""
    single = [case for case in cases if case.truth != "both"]
    truth = {"refit": "nothing"}
    answers = []
    for case in single:
        now = [r for fitting in case.first.before for r in fitting] + list(case.first.bare)
        past = [r for fitting in case.first.past for r in fitting] + list(case.first.past_bare)
        answers.append((truth.get(case.truth, case.truth), judge_bare(now, past, load_repeatability()).answer))
    said = marks(answers)
    assert said["wrong"] <= most(len(single), WRONG), answers
    assert len(single) - said["right"] <= most(len(single), 1 - RIGHT) + (CRAFT == 1), answers


def test_bare_alone_asks_for_the_propeller(cases):
    result = judge_bare(cases[0].first.bare, cases[0].first.past_bare, load_repeatability())
    assert result.answer == "cannot tell"
    assert "with its propeller" in result.next_step


def test_without_a_sound_past_a_motor_is_blamed_only_for_what_is_heard_bare(cases):
    for case in cases:
        result = judge(case, first=replace(case.first, past=(), past_bare=()))
        assert result.answer != "motor" or (case.truth in ("motor", "both") and any(e.supports for e in result.bare))
        assert result.answer != "propeller" or case.truth in ("propeller", "both")
        assert any("no sound past" in caution for caution in result.cautions)


def test_what_an_untouched_rotor_does_as_well_is_no_evidence(cases):
    """The same change on a rotor that nobody touched, by the set-up: it counts for less, and is said to."""
    case = next(case for case in cases if case.truth == "propeller")
    sure = judge(case)
    shaken = judge(case, untouched=replace(case.second, position="third"))
    assert any("nobody touched" in caution for caution in shaken.cautions)
    assert shaken.odds["propeller"] < sure.odds["propeller"]


def test_nothing_on_one_side_cannot_be_told(cases):
    case = cases[1]
    result = judge(case, second=replace(case.second, after=()))
    assert result.answer == "cannot tell"
    assert "before and after" in result.next_step


def test_one_fitting_counts_once_however_often_it_is_read(cases):
    """Three readings of one fitting are one of what refitting does."""
    case = next(case for case in cases if case.truth == "propeller")
    together = replace(case.first, before=(tuple(r for fitting in case.first.before for r in fitting),))
    result = judge(case, first=together)
    assert any("was not measured" in caution for caution in result.cautions)
    assert (result.refits, judge(case).refits) == (1, 3)


def test_a_hurt_blade_does_not_move_the_gain_taken_as_common():
    """The same take of one rotor, sound and with a nick: the gain of the sensor is the same by construction."""
    craft = draw_craft(4)
    settings = rig_settings(craft, "prop", "contact", known=True)
    hurt, sound = (analyze(record(craft, fault=fault)[0], settings) for fault in (Fault("blade-damage", 20), None))
    own, (other,) = common_gain(hurt, [sound])
    assert own - other > 1
    assert wary_gain(hurt, sound, own - other) == pytest.approx(0, abs=0.5)


def test_good_propellers_differ_as_the_judgement_takes_it():
    """What a rotor gains with another good propeller, the other loses: computed from the rig's description, without a recording."""
    found = exchanges(range(200 if CRAFT > 1 else 40))
    for name in found if CRAFT > 1 else ("1x", "other orders"):
        covariance = DIFFER[name].covariance()[1:, 1:]
        spread = np.sqrt(np.diag(covariance))
        assert found[name].std(axis=0) == pytest.approx(spread, rel=0.2 if CRAFT > 1 else 0.4), name
        apart = np.corrcoef(found[name].T) - covariance / np.outer(spread, spread)
        assert np.abs(apart).max() < (0.15 if CRAFT > 1 else 0.6), name


def test_a_suspect_that_is_hurt_by_itself_is_not_called_sound_because_nothing_followed(cases):
    """A fault against its own past, on sides that say nothing of it: the other readings are a sound rotor's."""
    case = next(case for case in cases if case.truth == "refit")
    hurt = next(case for case in cases if case.condition == "bearing-outer")
    assert judge(case).answer == "refit"
    assert judge(case, first=replace(case.first, bare=hurt.first.bare)).answer != "refit"


def test_a_row_of_a_loose_part_leaves_mount_and_propeller_open():
    """Half orders that rise with the propeller only, where bare nothing shows: neither place reaches 60 %."""
    quiet = Bare(hidden=math.log(0.03), low=-6.0, apart=-6.0)
    without, with_row = (_weigh(quiet, 0.0, None, row) for row in (None, 12.0))
    assert max(without, key=without.get) == "nothing"
    assert min(with_row, key=with_row.get) == "nothing"
    assert abs(with_row["motor"] - with_row["propeller"]) < math.log(0.6 / 0.4)
