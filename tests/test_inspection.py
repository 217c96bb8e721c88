from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from vibekit.bench_reading import (
    CURRENT_SCATTER,
    RANGE_MEAN,
    RANGE_SD,
    Current,
    Resistance,
    Temperature,
    current_against,
    read_current,
    read_resistance,
    read_temperature,
    uneven,
    warmth_against,
)
from vibekit.catalogue import load_catalogue
from vibekit.craft import Craft, Propeller, Rotor
from vibekit.errors import UsageError
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.inspection_evidence import advice_from, answers_as_evidence, check_answer
from vibekit.questions import QUESTIONS, REPLACE_FOLDING, question_of, questions_for

AT = datetime(2026, 3, 1, 12, tzinfo=UTC)
PLAIN = Craft("Wren-4", rotors=(Rotor("north-east"), Rotor("south-east"), Rotor("south-west"), Rotor("north-west")))


def checked(*answers):
    return Inspection("Wren-4", AT, tuple(GivenAnswer(*answer) for answer in answers))


def test_hands_are_safe_first_and_bench_readings_come_last():
    asked = questions_for(PLAIN)
    order = [(item.position, item.question.id) for item in asked]
    assert order[0] == ("", "battery-out")
    off = order.index(("", "props-off"))
    assert {question for _, question in order[1:off]} == {"prop-tight", "prop-hand"}  # only what must be seen as it was found
    assert all(item.question.stage == "bench" for item in asked[-12:])
    first_motor = next(n for n, item in enumerate(asked) if item.question.subject == "motor")
    assert all(item.question.subject != "propeller" for item in asked[first_motor:])
    for position in PLAIN.positions:
        here = [question for where, question in order if where == position]
        assert len(here) == len(set(here)) == 15


def test_folding_and_ducted_propellers_get_questions_of_their_own():
    ids = {item.question.id for item in questions_for(PLAIN)}
    assert ids.isdisjoint({"fold-hinge", "fold-pair", "duct-gap"})
    special = Craft(rotors=(Rotor("a", propeller=Propeller(folding=True)), Rotor("b", propeller=Propeller(ducted=True))))
    order = [(item.position, item.question.id) for item in questions_for(special)]
    assert ("a", "fold-hinge") in order
    assert ("a", "fold-pair") in order
    assert ("b", "duct-gap") in order
    assert ("b", "fold-pair") not in order
    assert ("a", "duct-gap") not in order


def test_answers_speak_of_conditions_that_the_catalogue_knows():
    known = {condition.condition for condition in load_catalogue().conditions}
    for question in QUESTIONS:
        assert bool(question.choices) != bool(question.form)
        for choice in question.choices:
            assert set(choice.speaks_for) | set(choice.speaks_against) <= known
            assert bool(choice.strength) == bool(choice.speaks_for or choice.speaks_against)
            assert set(choice.speaks_for).isdisjoint(choice.speaks_against)
        if question.form:
            assert check_answer(question, question.form)


@pytest.mark.parametrize(
    ("question", "answer", "supports", "opposes"),
    [
        ("prop-edge", "nicked", {"blade-damage", "prop-imbalance"}, set()),
        ("prop-edge", "clean", set(), {"blade-damage"}),
        ("prop-cracks", "crack", {"blade-damage"}, set()),
        ("prop-root", "whitened", {"blade-damage"}, set()),
        ("prop-tight", "slips", {"loose-propeller"}, set()),
        ("motor-turn", "rough", {"bearing-grit", "bearing-outer", "bearing-inner", "bearing-ball", "bearing-cage"}, set()),
        ("motor-turn", "stiff", {"rub", "bearing-grit", "electrical"}, set()),
        ("motor-mount", "moves", {"loose-mount"}, set()),
        ("motor-wobble", "wobbles", {"bent-shaft", "rotor-imbalance"}, set()),
        ("motor-rub", "once-a-turn", {"rub"}, set()),
        ("motor-screws", "touch", {"rub", "electrical"}, set()),
    ],
)
def test_each_answer_is_evidence(question, answer, supports, opposes):
    (evidence,) = answers_as_evidence(checked(("north-east", question, answer, "seen twice")))
    assert (evidence.position, evidence.question, evidence.answer) == ("north-east", question, answer)
    assert set(evidence.for_conditions) == supports
    assert set(evidence.against_conditions) == opposes
    assert 0 < evidence.strength <= 2
    assert evidence.text.endswith(": seen twice")
    assert all(evidence.odds[c] > 0 for c in supports)
    assert all(evidence.odds[c] < 0 for c in opposes)


def test_answers_that_say_nothing_of_a_condition_are_no_evidence():
    assert answers_as_evidence(checked(("", "battery-out", "yes"), ("a", "prop-hand", "wrong"), ("a", "motor-axial", "slight"))) == ()


def test_a_damaged_propeller_is_replaced_never_repaired_and_in_pairs():
    inspection = checked(
        ("a", "prop-edge", "nicked"), ("a", "prop-cracks", "crack"), ("b", "prop-edge", "nicked"), ("a", "motor-gap", "grit")
    )
    one, two, three = advice_from(inspection, folding=("b",))
    for word in ("never repair", "pairs", "common practice, no source", "maker's instructions"):
        assert word in one.text
    assert (one.position, one.stop) == ("a", True)
    assert (two.position, two.text) == ("b", REPLACE_FOLDING)
    assert "matched pair" in two.text
    assert (three.position, three.stop) == ("a", False)


@pytest.mark.parametrize(("question", "answer"), [("prop-edge", "fine"), ("prop-edge", ""), ("no-load-current", "0.4"), ("moon", "full")])
def test_answers_not_allowed_are_refused(question, answer):
    with pytest.raises(UsageError):
        answers_as_evidence(checked(("a", question, answer)))


def test_typed_readings_are_read_with_their_units():
    assert read_current("420 mA at 100Hz") == Current(pytest.approx(0.42), 6000.0, None)
    assert read_current("0.42A at 6000 rpm +- 0.02 A") == Current(0.42, 6000.0, 0.02)
    assert read_temperature("48 C in air of 22 C") == Temperature(48.0, 22.0)
    assert read_temperature("48°C") == Temperature(48.0)
    assert read_temperature("-3.5 C, air -10 C") == Temperature(-3.5, -10.0)
    assert read_resistance("105 104 106 mohm, ± 1") == Resistance(pytest.approx((0.105, 0.104, 0.106)), pytest.approx(0.001))
    assert read_resistance("0.1, 0.2/0.3 ohm") == Resistance((0.1, 0.2, 0.3))


@pytest.mark.parametrize(
    ("question", "text"),
    [
        ("no-load-current", "0.42 A"), ("no-load-current", "0,42 A at 6000 rpm"), ("no-load-current", "0 A at 6000 rpm"),
        ("no-load-current", "-1 A at 6000 rpm"), ("no-load-current", "1 A at -6000 rpm"), ("no-load-current", "1 A at 6000 rpm +- 0"),
        ("no-load-current", "1e99 A at 6000 rpm"), ("case-temperature", "48"), ("case-temperature", "118 F"), ("case-temperature", "900 C"),
        ("phase-resistance", "105 104 mohm"), ("phase-resistance", "105 104 106"), ("phase-resistance", "105 104 0 mohm"),
        ("phase-resistance", "105 104 nan mohm"), ("phase-resistance", "1 2 3 4 ohm"),
    ],
)  # fmt: skip
def test_a_reading_without_unit_or_sense_is_refused_in_one_line(question, text):
    with pytest.raises(UsageError, match=question) as caught:
        check_answer(question_of(question), text)
    assert "\n" not in str(caught.value)


@settings(deadline=None)
@given(st.text(max_size=40))
def test_no_text_is_a_traceback(text):
    for question in QUESTIONS:
        try:
            assert check_answer(question, text)
        except UsageError as error:
            assert "\n" not in str(error)  # noqa: PT017


def phase_to_phase(a, b, c, wiring):
    """Resistance between each two of three wires, by solving the network: an independent check of what a meter shows."""
    edges = [(0, 1, a), (1, 2, b), (2, 0, c)] if wiring == "delta" else [(0, 3, a), (1, 3, b), (2, 3, c)]
    laplacian = np.zeros((4, 4))
    for i, j, r in edges:
        laplacian[[i, j], [i, j]] += 1 / r
        laplacian[[i, j], [j, i]] -= 1 / r
    inverse = np.linalg.pinv(laplacian)
    return tuple(inverse[i, i] + inverse[j, j] - 2 * inverse[i, j] for i, j in ((0, 1), (1, 2), (2, 0)))


@pytest.mark.parametrize("wiring", ["star", "delta"])
def test_one_hurt_phase_shows_as_a_spread_in_star_and_in_delta(wiring):
    sound = Resistance(phase_to_phase(0.05, 0.05, 0.05, wiring))
    hurt = Resistance(phase_to_phase(0.05, 0.05, 0.03, wiring))
    assert sound.spread == pytest.approx(0, abs=1e-12)
    assert uneven(sound) < 0
    assert hurt.spread > 0.1
    assert uneven(hurt) > 1
    assert uneven(Resistance(hurt.ohm, u95=0.2 * max(hurt.ohm))) < uneven(hurt)  # a poor meter says less
    (evidence,) = answers_as_evidence(checked(("a", "phase-resistance", "{:g} {:g} {:g} ohm".format(*hurt.ohm))))
    assert evidence.for_conditions == ("electrical",)
    assert "meter taken as good to 2%" in evidence.text


def test_warming_all_phases_alike_changes_no_spread():
    # Copper gains 0.393 % a kelvin at 20 C (IEC 60028): 40 K warmer is 15.7 % more in each of the three
    cold = Resistance((0.105, 0.104, 0.106))
    warm = Resistance(tuple(r * (1 + 0.00393 * 40) for r in cold.ohm))
    assert warm.spread == pytest.approx(cold.spread)


def test_the_range_of_three_is_that_of_the_control_chart_tables():
    # d2 = 1.693, d3 = 0.888 for n = 3 (Tippett, Biometrika 17 (1925) 364-387; ASTM control-chart tables)
    ranges = np.ptp(np.random.default_rng(3).normal(size=(400_000, 3)), axis=1)
    assert pytest.approx(ranges.mean(), abs=4e-3) == RANGE_MEAN
    assert pytest.approx(ranges.std(), abs=4e-3) == RANGE_SD


def test_more_current_than_the_others_speaks_for_drag():
    others = [Current(0.40, 6000), Current(0.42, 6050), Current(0.41, 5950), Current(3.0, 12_000)]
    ratio, weight = current_against(Current(0.62, 6000), others)
    assert ratio == pytest.approx(0.62 / 0.41)
    x = np.log(ratio)
    expected = stats.norm(np.log(1.6), 0.3).logpdf(x) - stats.norm(0, CURRENT_SCATTER).logpdf(x)
    assert weight == pytest.approx(expected / np.log(10))
    assert current_against(Current(0.41, 6000), others)[1] < 0
    assert current_against(Current(0.41, 9000), others) is None  # no other at that speed
    wide = current_against(Current(0.62, 6000, u95=0.3), others)
    assert wide[1] < weight


def test_current_and_warmth_are_judged_among_the_motors_of_one_check():
    currents = [("ne", "0.40 A at 6000 rpm"), ("se", "0.41 A at 6000 rpm"), ("sw", "0.70 A at 6000 rpm"), ("nw", "0.42 A at 6000 rpm")]
    warmth = [("ne", "41 C in air of 21 C"), ("se", "42 C in air of 21 C"), ("sw", "63 C in air of 21 C"), ("nw", "40 C in air of 21 C")]
    inspection = checked(*((p, "no-load-current", a) for p, a in currents), *((p, "case-temperature", a) for p, a in warmth))
    found = {(e.position, e.question): e for e in answers_as_evidence(inspection)}
    for question in ("no-load-current", "case-temperature"):
        assert "rub" in found["sw", question].for_conditions
        assert all("rub" in found[p, question].against_conditions for p in ("ne", "se", "nw"))
        assert all(found[p, question].strength <= 0.3 for p in ("ne", "se", "nw"))
    assert "1.71 times" in found["sw", "no-load-current"].text
    assert any("burns the skin" in advice.text for advice in advice_from(inspection))
    assert warmth_against(Temperature(50.0), [Temperature(40, 20), Temperature(41, 20)]) is None
    assert answers_as_evidence(checked(("ne", "no-load-current", "0.40 A at 6000 rpm"))) == ()
