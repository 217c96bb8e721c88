"""One conclusion for a craft: what comes first, what else, what was not tested; its words are never a permission."""

from dataclasses import replace

import pytest

from tests.wren4 import readings
from vibekit.craft_verdict import AGAIN, craft_verdict
from vibekit.finding import Conclusion, Diagnosis, Finding
from vibekit.marks import CANNOT_TELL, WATCH, state_of

READING = next(iter(readings().values()))


def found(condition, probability, part="propeller", action="balance", others=(), bits=0.0):
    end = Conclusion(condition, probability, None, part, action, "", "Record it bare.", next_bits=bits)
    listed = ((condition, probability), *others)
    return Diagnosis(tuple(Finding(c, p, (), None, part, action, "") for c, p in listed), end)


def healthy(bits=0.0):
    return found("healthy", 0.98, "none", "none", bits=bits)


def made(*positions):
    return {position: [READING] for position in positions}


@pytest.mark.parametrize("motors", [{"a": healthy(), "b": healthy()}, {"a": healthy(), "b": found("undecided", 0.0)},
                                    {"a": found("bearing-grit", 0.9, "bearing", "clean"), "b": healthy()}])  # fmt: skip
def test_its_words_are_never_a_permission(motors):
    words = craft_verdict(motors, made(*motors)).words
    assert words.startswith(("Do not fly.", "No fault found by these tests; not tested: "))
    for permission in ("safe", "fit to fly", "may fly", "cleared", "airworthy", "good to"):
        assert permission not in words.lower()


def test_what_may_come_off_is_first_and_the_surest_next():
    motors = {
        "a": found("bearing-outer", 0.99, "bearing", "replace bearing or motor"),
        "b": found("loose-propeller", 0.7, "propeller fixing", "refit"),
        "c": found("prop-imbalance", 0.8),
    }
    verdict = craft_verdict(motors, made(*motors))
    assert [s.position for s in verdict.acts] == ["b", "a", "c"]
    assert verdict.acts[0].action == "refit the propeller fixing"
    assert not verdict.also


def test_what_is_not_cleared_is_suspect_too():
    motors = {"a": found("undecided", 0.0, others=(("rub", 0.4), ("bearing-grit", 0.3), ("healthy", 0.26)))}
    verdict = craft_verdict(motors, made("a"))
    assert not verdict.acts
    assert [s.what.partition(":")[0] for s in verdict.also] == ["something rubs once a turn", "bearing rough or gritty"]
    assert "cannot tell" in verdict.words


def test_what_was_not_tested_is_named_with_where():
    prop = replace(READING, settings=replace(READING.settings, test="prop"))
    verdict = craft_verdict({"a": healthy(), "b": healthy()}, {"a": [prop], "b": []}, looked=("a",))
    assert "run with its propeller, steady (b)" in verdict.not_tested
    assert "run bare, without propeller" in verdict.not_tested
    assert "by eye and hand (b)" in verdict.not_tested
    assert not any("eye" in text for text in craft_verdict({"a": healthy()}, {"a": [prop]}, looked=("a",)).not_tested)


def test_the_next_measurement_is_a_suspects_then_that_of_the_motor_where_most_is_expected():
    motors = {"a": healthy(0.1), "b": found("undecided", 0.0, bits=1.2), "c": found("rub", 0.7, bits=0.4)}
    verdict = craft_verdict(motors, made(*motors))
    assert (verdict.next_position, verdict.next_step) == ("c", "Record it bare.")  # the suspect, though more is open of another
    del motors["c"]
    assert craft_verdict(motors, made(*motors)).next_position == "b"
    del motors["b"]
    assert craft_verdict(motors, made(*motors)).next_position == "a"
    assert craft_verdict(motors | {"d": found("rub", 0.9)}, made("a", "d")).next_step == ""  # mend first: a sound motor can wait
    assert craft_verdict({"a": healthy()}, made("a")).next_step == ""


def test_what_was_worked_on_is_measured_again_before_anything_else():
    worked = {p: replace(d, conclusion=replace(d.conclusion, next_measurement=AGAIN)) for p, d in
              {"a": found("undecided", 0.0, others=(("bearing-grit", 0.99),)), "b": found("undecided", 0.0)}.items()}  # fmt: skip
    verdict = craft_verdict(worked | {"c": found("rub", 0.7, bits=2.0)}, made("a", "b", "c"))
    assert verdict.next_position == "a and b"
    assert verdict.next_step.startswith("Measure them again in the same way")
    assert not verdict.also  # what was said before the work is not said again


def test_what_is_surely_wrong_though_nobody_can_name_it_is_watched_with_what_it_may_be():
    """A motor that drags: grit, a rub and the winding explain it alike."""
    drags = found("undecided", 0.93, "none", "measure again", others=(("bearing-grit", 0.32), ("rub", 0.26)))
    verdict = craft_verdict({"a": drags, "b": healthy(0.1)}, made("a", "b"))
    assert verdict.fault
    assert verdict.words == "Do not fly."
    assert [s.position for s in verdict.acts] == ["a"]
    assert "bearing rough or gritty or something rubs once a turn" in verdict.acts[0].what
    assert verdict.acts[0].action == "measure before work on it"
    assert state_of(drags.conclusion) is WATCH
    assert state_of(replace(drags.conclusion, probability=0.6)) is CANNOT_TELL
