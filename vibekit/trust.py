"""How far each clue is trusted beside the others: clues that move together must not count twice.

Weighted naive Bayes: each clue's likelihood is raised to a power of its own, chosen so that the truth is as probable as can be over
cases that the tables were not counted from (Zaidi, Cerquides, Carman & Webb, J. Mach. Learn. Res. 14 (2013) 1947-1988).
"""

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import logsumexp

from vibekit.likelihood import Likelihoods, read_likelihoods
from vibekit.likelihood_table import SeenCase, likelihood_table
from vibekit.observation import Observation

Array = npt.NDArray[np.float64]
FOLDS = 4
VIEWS = 3  # each case is seen whole, and twice with some of its tests left out, as users leave them out
KEPT = 0.6
LEAST, FIRST, MOST = 0.05, 0.7, 1.5
PULL = 2.0  # cases that pull each power towards FIRST


def fit_trust(craft: Sequence[Sequence[SeenCase]], prior: Mapping[str, float]) -> dict[str, float]:
    """The power of each clue. craft: the cases of each craft; prior: of each condition, which is also its share among the cases."""
    rng = np.random.default_rng(0)
    names = sorted({o.name for cases in craft for case in cases for o in case.seen})
    logs, truth = [], []
    for fold in range(FOLDS):
        counted = [case for i, cases in enumerate(craft) if i % FOLDS != fold for case in cases]
        likelihoods = read_likelihoods(likelihood_table(counted), {})
        for cases in craft[fold::FOLDS]:
            for case in (c for c in cases if c.seen):
                for seen in _views(case.seen, rng):
                    logs.append(_logs(likelihoods, seen, names))
                    truth.append(case.condition)
    start = likelihoods.start(prior)
    share = np.array([prior[condition] / truth.count(condition) for condition in truth])
    own = np.array([[condition == c for c, _ in likelihoods.states] for condition in truth])
    found = minimize(_cost, np.full(len(names), FIRST), args=(np.array(logs), start, own, share / share.sum()), jac=True, method="L-BFGS-B",
                     bounds=[(LEAST, MOST)] * len(names))  # fmt: skip
    return {name: float(power) for name, power in zip(names, found.x, strict=True)}


def _views(seen: Sequence[Observation], rng: np.random.Generator) -> list[list[Observation]]:
    tests = sorted({str(o.test) for o in seen})
    views = [list(seen)]
    for _ in range(VIEWS - 1):
        kept = [test for test in tests if rng.random() < KEPT] or [tests[rng.integers(len(tests))]]
        views.append([o for o in seen if o.test in kept])
    return views


def _logs(likelihoods: Likelihoods, seen: Sequence[Observation], names: Sequence[str]) -> Array:
    """(clues, states) log likelihood of what was seen, summed over tests."""
    logs = np.zeros((len(names), len(likelihoods.states)))
    for clue in seen:
        chances = likelihoods.chances(clue, str(clue.test))
        if chances is not None:
            logs[names.index(clue.name)] += np.log(chances)
    return logs


def _cost(power: Array, logs: Array, start: Array, own: npt.NDArray[np.bool_], share: Array) -> tuple[float, Array]:
    """Mean of -log posterior of the true condition, and its gradient. logs: (cases, clues, states); own: states of the true condition."""
    scores = start + np.einsum("c,ncs->ns", power, logs)
    all_states, true_states = logsumexp(scores, axis=1), logsumexp(np.where(own, scores, -np.inf), axis=1)
    excess = np.exp(scores - all_states[:, None]) - np.where(own, np.exp(scores - true_states[:, None]), 0.0)
    pull = PULL / len(logs)
    gradient = np.einsum("n,ns,ncs->c", share, excess, logs, optimize=True)
    return float(share @ (all_states - true_states) + pull * ((power - FIRST) ** 2).sum()), gradient + 2 * pull * (power - FIRST)
