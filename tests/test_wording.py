import math
from dataclasses import replace

import pytest

from vibekit.catalogue import load_catalogue
from vibekit.finding import Conclusion, Evidence
from vibekit.reading import SpeedResult
from vibekit.wording import (
    act_words,
    action_words,
    caution_words,
    conclusion_words,
    condition_words,
    decibels,
    factor,
    likelihood,
    listed,
    not_recorded,
    speed_words,
    verdict,
    with_interval,
)


@pytest.mark.parametrize(
    ("value", "u95", "unit", "text"),
    [
        (100.02147, 0.00079, "g", "100.02147 ± 0.00079 g"),  # JCGM 100:2008, 7.2.4 writes its example so, from memory
        (1.2345, 0.056, "m/s2", "1.234 ± 0.056 m/s²"),
        (6012.53, 1.5, "rpm", "6012.5 ± 1.5 rpm"),
        (12345.0, 678.0, "rpm", "12340 ± 680 rpm"),
        (-27.34, 0.41, "dB", "−27.34 ± 0.41 dB"),
        (0.0123, 0.0004, "FS", "0.01230 ± 0.00040 of full scale"),
        (3.2e-5, 4e-7, "FS", "(32.00 ± 0.40)·10⁻⁶ of full scale"),
        (2e-4, 3e-4, "g", "(200 ± 300)·10⁻⁶ g"),
        (-0.0001, 0.038, "dB", "0.000 ± 0.038 dB"),
        (11.7, 0.0, "-log10 p", "score 11.7 (p ≤ 2e-12)"),
        (-0.6, 0.0, "-log10 p", "score −0.6 (as noise)"),
        (5.0, math.nan, "g", "5 g (interval not known)"),
        (0.51234, math.inf, "g", "at most 0.512 g"),
        (-54.32, math.inf, "dB", "at most −54.3 dB"),
        (1.234e-5, math.inf, "g", "at most 12.3·10⁻⁶ g"),
        (5.0, None, "g", "5 g (interval not known)"),
        (math.nan, 1.0, "g", "not measured g"),
        (0.0, 0.0, "g", "0.000 ± 0.000 g"),
        (0.361, 0.0, "1", "0.36"),
    ],
)
def test_numbers_carry_interval_and_unit(value, u95, unit, text):
    assert with_interval(value, u95, unit) == text


@pytest.mark.parametrize(
    ("probability", "words"),  # bounds and words of Mastrandrea et al. (IPCC 2010), table 1, from memory; nothing is called certain
    [
        (1.0, "all but certain"),
        (0.95, "very likely"),
        (0.7, "likely"),
        (0.5, "about as likely as not"),
        (0.2, "unlikely"),
        (0.05, "very unlikely"),
        (0.0, "all but excluded"),
    ],
)
def test_probabilities_are_words_and_numbers(probability, words):
    said = likelihood(probability)
    assert said.startswith(f"{words} (")
    assert said.endswith("%)")
    assert "100" not in said


def conclusion(condition, part="bearing", action="clean", **more):
    return Conclusion(condition, 0.9, "north-east", part, action, **more)


def test_no_fault_found_always_says_what_was_not_tested():
    assert verdict(conclusion("healthy"), ["spun by hand"]) == "No fault found by these tests; not tested: spun by hand."
    assert "not tested: everything" in verdict(conclusion("healthy"))
    assert "fly" not in verdict(conclusion("healthy"))


def test_a_verdict_is_said_in_plain_words():
    assert verdict(conclusion("prop-imbalance")).startswith("Propeller uneven: very likely (90")
    assert verdict(replace(conclusion("undecided"), probability=0.5)) == "These readings cannot tell."
    assert verdict(conclusion("undecided")).startswith("Something is out of the ordinary, what is open: very likely (90")
    assert verdict(None) == "Not judged: there is no recording to judge by."


def test_actions_name_the_part():
    assert action_words(conclusion("bearing-grit")) == "clean the bearing"
    assert action_words(conclusion("blade-damage", "propeller", "replace propeller")) == "replace propeller"
    assert action_words(conclusion("undecided", "none", "measure again", next_step="Run it bare.")) == "Run it bare."
    assert action_words(None) == "record this motor"


@pytest.mark.parametrize("condition", [c.condition for c in load_catalogue().conditions])
def test_every_condition_has_words_an_act_and_a_caution(condition):
    end = conclusion(condition)
    assert condition_words(condition) == load_catalogue()[condition].words
    assert len(act_words(end)) > 20
    assert len(caution_words(end)) > 20


def test_a_condition_of_a_newer_catalogue_still_reads():
    assert condition_words("worn-gear") == "worn gear"
    assert act_words(conclusion("worn-gear", "gear", "replace")) == "Replace the gear."
    assert caution_words(conclusion("worn-gear")) == ""


def test_evidence_is_weighed_in_times():
    assert factor(Evidence("", True, 1.0)) == "10 times likelier than otherwise"
    assert factor(Evidence("", False, -0.3010)) == "2 times less likely than otherwise"
    assert factor(Evidence("", True, 9.0)) == "over 1000 times likelier than otherwise"


def test_speeds_say_where_they_come_from():
    assert speed_words(SpeedResult("none")) == "shaft speed not known"
    assert speed_words(SpeedResult("tacho", 6012.5, 1.5, 6001.0, 6020.0)) == "6012.5 ± 1.5 rpm (tacho, from 6001 to 6020 rpm)"
    open_ = SpeedResult("estimated", 6012.5, 1.5, candidates=((6012.5, 0.87), (3006.2, 0.124), (2004.2, 0.006)))
    assert speed_words(open_) == "6012.5 ± 1.5 rpm (estimated) or 3006 rpm (12 %) or 2004 rpm (0.6 %)"
    assert speed_words(SpeedResult("typed", 1797.0, None)) == "1797 rpm (interval not known) (typed)"


def test_missing_tests_and_lists():
    assert not_recorded(["bare", "prop"]) == ["spun by hand", "run up with its propeller"]
    assert [listed(words) for words in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


def test_what_else_it_may_be_stands_in_the_verdict():
    ball = Conclusion("bearing-ball", 0.9, None, "bearing", "replace bearing or motor", also=("bearing-inner",))
    assert conclusion_words(ball) == "bearing damaged (a ball or inner race)"
    assert verdict(ball) == "Bearing damaged (a ball or inner race): very likely (90\N{NO-BREAK SPACE}%)."
    uneven = Conclusion("prop-imbalance", 0.9, None, "propeller", "balance", also=("blade-damage",))
    assert conclusion_words(uneven) == "propeller uneven or propeller blade damaged"


@pytest.mark.parametrize(("value", "words"), [(-0.04, "+0.0"), (0.0, "+0.0"), (-1.26, "\N{MINUS SIGN}1.3"), (12.34, "+12.3")])
def test_a_difference_has_its_sign_and_nothing_has_no_minus(value, words):
    assert decibels(value) == words
