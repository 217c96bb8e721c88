"""What to measure next: information as the textbooks define it, and look-alikes that are named with what splits them."""

import math

import numpy as np
import pytest

from vibekit.catalogue import load_catalogue
from vibekit.likelihood import Likelihoods, load_likelihoods
from vibekit.next_measurement import Reach, next_measurements
from vibekit.observation import CHANGES, STEPS, Observation
from vibekit.settings import Settings

PRIOR = {c.condition: c.prior for c in load_catalogue().conditions if c.prior > 0}


def seen(test, steps):
    """Observations under one test: these steps, all else unchanged."""
    names = [name for name in CHANGES if load_likelihoods().table(name, test, None) is not None]
    return [Observation(name, test, STEPS.index(steps.get(name, "unchanged")), name, 0.0) for name in names]


def ranked(observations, *, done, prior=None, **more):
    settings = [Settings(test=test, poles=14, blades=2) for test in done]
    return next_measurements(observations, settings, load_likelihoods(), prior or PRIOR, **more)


def only(*conditions):
    return {c: (1 / len(conditions) if c in conditions else 1e-9) for c in PRIOR}


@pytest.mark.parametrize("wrong", [0.0, 0.1, 0.3])
def test_information_is_that_of_a_binary_channel(wrong):
    """1 - H(p) bits for even odds (Cover & Thomas, Elements of Information Theory, 2nd ed. 2006, section 7.1.4: from memory)."""
    table = np.zeros((2, len(STEPS)))
    table[0, [1, 4]], table[1, [1, 4]] = (1 - wrong, wrong), (wrong, 1 - wrong)
    channel = Likelihoods((("healthy", "0"), ("rotor-imbalance", "2")), {("1x", "bare", "touch"): table}, {})
    reach = Reach(tests=("bare",), asked=("motor-wobble", "motor-gap"), swapped=True)
    found = next_measurements([], [Settings(test="prop")], channel, {"healthy": 0.5, "rotor-imbalance": 0.5}, reach=reach)
    expected = 1 - sum(-p * math.log2(p) for p in (wrong, 1 - wrong) if p)
    assert found[0].key == "bare"
    assert found[0].open_bits == pytest.approx(1)
    assert found[0].bits == pytest.approx(expected, abs=0.1)  # 400 draws, and a hundredth is kept for what the tables do not know


@pytest.mark.parametrize(
    ("alike", "test", "steps", "splitters"),
    [
        (("prop-imbalance", "rotor-imbalance"), "prop", {"1x": "clear"}, ("bare", "swap")),
        (("prop-imbalance", "resonance"), "prop", {"1x": "clear"}, ("bare", "run-up", "swap")),
        (("prop-imbalance", "blade-damage"), "prop", {"1x": "clear"}, ("prop-edge", "run-up")),
        (("rotor-imbalance", "bent-shaft"), "bare", {"1x": "clear"}, ("motor-wobble", "run-up", "prop")),
        (("loose-mount", "loose-propeller"), "prop", {"half orders": "clear", "harmonics": "clear"}, ("bare", "prop-tight", "motor-mount")),
        (("bearing-grit", "rub"), "bare", {"roughness": "clear"}, ("motor-turn", "motor-rub", "motor-gap", "prop", "run-up")),
        (("electrical", "rotor-imbalance"), "prop", {"1x": "faint"}, ("bare", "phase-resistance")),
    ],
)  # fmt: skip
def test_look_alikes_are_named_with_what_splits_them(alike, test, steps, splitters):
    heard = [Observation(name, test, STEPS.index(step), name, 0.0) for name, step in steps.items()]
    found = ranked(heard, done=[test], prior=only(*alike))
    assert set(found[0].splits) == set(alike)
    assert found[0].key in splitters
    for name in alike:
        assert load_catalogue()[name].words in found[0].sentence


def test_what_was_made_or_cannot_be_made_is_not_asked_for():
    keys = {
        n.key for n in ranked(seen("prop", {"1x": "clear"}), done=["prop"], reach=Reach(("bare", "prop"), ("prop-edge",), swapped=True))
    }
    assert "bare" in keys
    assert not keys & {"prop", "run-up", "swap", "prop-edge", "flight"}


def test_a_sound_bare_reading_asks_for_the_propeller():
    """Bare, a propeller was never heard: that is what to measure, not another motor's propeller."""
    assert ranked(seen("bare", {}), done=["bare"])[0].key == "prop"


def test_alone_it_asks_for_the_others():
    assert "others" in {n.key for n in ranked([], done=["bare"], compared=False)}
    assert "others" not in {n.key for n in ranked(seen("bare", {}), done=["bare"])}


def test_nothing_is_asked_for_when_nothing_is_open():
    assert not ranked(seen("prop", {}), done=["prop"], prior=only("healthy"))
