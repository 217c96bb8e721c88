"""Clues that move together count once."""

import numpy as np
import pytest

from vibekit.likelihood import read_likelihoods
from vibekit.likelihood_table import SeenCase, likelihood_table
from vibekit.observation import STEPS, Observation
from vibekit.trust import fit_trust

PRIOR = {"healthy": 0.5, "bent-shaft": 0.5}
HOW_OFTEN = {"healthy": (0.05, 0.75, 0.1, 0.06, 0.03, 0.01, 0.0), "bent-shaft": (0.02, 0.28, 0.2, 0.2, 0.2, 0.05, 0.05)}


def craft(count, copies, seed=0):
    """Cases of so many craft, whose 1x is read `copies` times over, as if it were as many clues (a bent shaft raises both)."""
    rng = np.random.default_rng(seed)
    clues = ("1x", "2x")[:copies]

    def case(condition):
        step = int(rng.choice(len(STEPS), p=HOW_OFTEN[condition]))
        seen = tuple(Observation(clue, "bare", step, "", 0.0, "touch") for clue in clues)
        return SeenCase(condition, "0" if condition == "healthy" else "4", seen)

    return [[case(condition) for condition in PRIOR for _ in range(8)] for _ in range(count)]


def test_one_clue_alone_is_taken_at_its_word():
    assert fit_trust(craft(80, 1), PRIOR)["1x"] == pytest.approx(1.0, abs=0.2)


def test_what_is_read_twice_counts_once():
    twice = fit_trust(craft(80, 2), PRIOR)
    assert twice["1x"] + twice["2x"] == pytest.approx(fit_trust(craft(80, 1), PRIOR)["1x"], abs=0.1)


def test_the_shares_of_the_table_are_those_of_the_cases():
    cases = [case for cases in craft(200, 1) for case in cases]
    likelihoods = read_likelihoods(likelihood_table(cases), {})
    row = likelihoods.tables["1x", "bare", "touch"][likelihoods.states.index(("bent-shaft", "4"))]
    assert row == pytest.approx(HOW_OFTEN["bent-shaft"], abs=0.03)


def test_stated_probabilities_are_the_frequencies():
    # reliability: of cases given a probability of p, a share of p is true (Murphy & Winkler, Appl. Statist. 26 (1977) 41-47)
    trained, fresh = craft(80, 1, seed=1), craft(200, 1, seed=2)
    likelihoods = read_likelihoods(likelihood_table(c for cases in trained for c in cases), fit_trust(trained, PRIOR))
    told = np.array([(likelihoods.posterior(c.seen, PRIOR)["healthy"], c.condition == "healthy") for cases in fresh for c in cases])
    for low, high in ((0.0, 0.3), (0.3, 0.6), (0.6, 1.0)):
        chosen = told[(told[:, 0] >= low) & (told[:, 0] < high)]
        assert chosen[:, 0].mean() == pytest.approx(chosen[:, 1].mean(), abs=0.06)
