"""Recordings cut flat, against the beta-binomial law of scipy and what a bench would say of it."""

import math
from types import SimpleNamespace

import pytest
from scipy.stats import betabinom

from vibekit.overload import cut_flat, overload, together


def reading(cut, rpm=6000, test="prop"):
    severity = {True: "stop", False: "note"}[cut]
    return SimpleNamespace(
        screening=SimpleNamespace(problems=(SimpleNamespace(code="clipping", severity=severity),)),
        speed=SimpleNamespace(rpm=rpm),
        settings=SimpleNamespace(test=test, sensor="microphone", setup=""),
    )


def many(cut, clean=0, **more):
    return [reading(True, **more)] * cut + [reading(False, **more)] * clean


def test_a_knock_that_is_noted_does_not_count():
    assert cut_flat(reading(True))
    assert not cut_flat(reading(False))


@pytest.mark.parametrize(("cut", "clean"), [(3, 0), (1, 2), (0, 4)])
def test_the_law_is_beta_binomial(cut, clean):
    n = cut + clean
    assert together(many(cut, clean)) == pytest.approx(betabinom.logpmf(cut, n, 0.5, 0.5) - math.log(math.comb(n, cut)))


def test_louder_than_the_sound_past_speaks_for_a_fault():
    assert overload(many(3), many(0, 4)) > math.log(20)
    assert overload(many(1, 2), many(0, 4)) < math.log(5)
    assert overload(many(1, 2), many(3, 1)) == -math.inf


def test_nothing_to_hold_it_against():
    assert overload(many(0, 3), many(0, 4)) is None
    assert overload(many(3), []) is None
    assert overload(many(3), many(0, 4, test="bare")) is None
    assert overload(many(3), many(0, 4, rpm=9000)) is None
    assert overload(many(3, rpm=None), many(0, 4)) > 0  # cut so much that no speed is found in it
