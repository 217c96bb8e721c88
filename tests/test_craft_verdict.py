"""One conclusion for a craft: what comes first, what else, what was not tested; its words are never a permission."""

from dataclasses import replace

import pytest

from tests.wren4 import readings
from vibekit.craft_verdict import craft_verdict
from vibekit.finding import Conclusion, Diagnosis, Finding

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


def test_the_next_measurement_is_that_of_the_motor_where_most_is_expected():
    motors = {"a": healthy(0.1), "b": found("undecided", 0.0, bits=1.2), "c": found("rub", 0.7, bits=0.4)}
    verdict = craft_verdict(motors, made(*motors))
    assert (verdict.next_position, verdict.next_step) == ("b", "Record it bare.")
    assert craft_verdict({"a": healthy()}, made("a")).next_step == ""
