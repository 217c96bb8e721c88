"""How often each condition gives each step of each clue, and what clues together make of the conditions."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from vibekit.change import CHANGES
from vibekit.defect_comb import ANY
from vibekit.made_table import rows_of, table_text
from vibekit.observation import CHANGE_EDGES, COMB, COMBS, STEPS, UNSAID, WAYS, Observation

Array = npt.NDArray[np.float64]
STRUCK = ("bearing-outer", "bearing-inner", "bearing-ball")
# a comb's score s is a likelihood ratio's logarithm: whatever the machine, chance reaches it at most once in 10^s (Markov's inequality)
CHANCE_OF_COMB = np.array([0.0, 0.0, *-np.diff([10.0**-edge for edge in COMB]), 10.0 ** -COMB[-1]])
# A change is in standard deviations of repeating, so in normal deviates. Flights of the rig are flown alike, those of a pilot are not: in
# flight none of the steps is rarer than of a deviate by chance
CHANCE_OF_CHANGE = np.array([0.0, 0.0, *np.diff(ndtr(CHANGE_EDGES[1:])), ndtr(-CHANGE_EDGES[-1])])
UNFORESEEN = 0.01  # share of cases taken to be unlike anything on the rig: any step is then equally likely


@dataclass(frozen=True, slots=True)
class Likelihoods:
    """Frequencies of the steps on the rig.

    states: (condition, severity) for each row of a table; a condition's severities are alternatives of equal chance
    tables: {(clue, test, way of the sensor): (states, steps) frequencies, rows sum to 1}
    trust: {clue: power that its likelihood is raised to}, 1 where it is not named
    """

    states: tuple[tuple[str, str], ...]
    tables: Mapping[tuple[str, str, str], Array]
    trust: Mapping[str, float]

    @property
    def conditions(self) -> tuple[str, ...]:
        """Every condition, in order."""
        return tuple(dict.fromkeys(condition for condition, _ in self.states))

    def table(self, name: str, test: str, way: str | None) -> Array | None:
        """Frequencies of a clue's steps, (states, steps); where the sensor was not said, the mean of its ways. None when there are none."""
        found = [table for each in WAYS if way in (None, each) and (table := self.tables.get((name, test, each))) is not None]
        return np.asarray(np.mean(found, axis=0)) if found else None

    def weighed(self, name: str, test: str, way: str | None, shown: float = 1.0) -> Array | None:
        """Chance of each step of a clue under each state, (states, steps), as far as it is trusted; None as for `table`.

        shown: share of a defect order's range that could be seen; in the rest a hurt bearing shows what a healthy motor does
        """
        table = self.table(name, test, way)
        if table is None:
            return None
        if name in COMBS:
            table = shown * table + (1 - shown) * table[[condition == "healthy" for condition, _ in self.states]].mean(axis=0)
            chance = np.maximum(table, CHANCE_OF_COMB)
        else:
            least = CHANCE_OF_CHANGE if test == "flight" and name in CHANGES else 0.0
            chance = (1 - UNFORESEEN) * np.maximum(table, least) + UNFORESEEN / len(STEPS)
        return np.asarray(chance ** self.trust.get(name, 1.0))

    def chances(self, clue: Observation, test: str) -> Array | None:
        """Chance of where this clue lies among the steps, under each state, (states,); None when the tables do not hold its test."""
        each = self.weighed(clue.name, test, clue.way, clue.shown)
        if each is None:
            return None
        whole, part = divmod(clue.place(test), 1)
        below = int(whole)
        return np.asarray(each[:, below] ** (1 - part) * each[:, min(below + 1, len(STEPS) - 1)] ** part)

    def start(self, prior: Mapping[str, float]) -> Array:
        """Log of the prior of each state: that of its condition, shared evenly among its severities."""
        size = Counter(condition for condition, _ in self.states)
        return np.log([prior[condition] / size[condition] for condition, _ in self.states])

    def posterior(self, clues: Sequence[Observation], prior: Mapping[str, float]) -> dict[str, float]:
        """Probability of each condition, by Bayes' rule with each clue counting as far as it is trusted beside the others.

        Where the test was not said, it was the same for all such clues: bare, with the propeller or in flight, equally likely.
        """
        start = self.start(prior)
        logs = []
        for unsaid in UNSAID if any(clue.test is None for clue in clues) else UNSAID[:1]:
            found = [chance for clue in clues if (chance := self._unsaid(clue, unsaid)) is not None]
            logs.append(start + np.sum(np.log(found), axis=0) if found else start)
        weight = np.exp(np.array(logs) - np.max(logs)).sum(axis=0)
        weight /= weight.sum()
        total = dict.fromkeys(self.conditions, 0.0)
        for (condition, _), w in zip(self.states, weight, strict=True):
            total[condition] += float(w)
        return total

    def _unsaid(self, clue: Observation, unsaid: str) -> Array | None:
        """Chances of a clue whose test, where it was not said, was this one; what no table holds of a flight is there by chance alone."""
        chance = self.chances(clue, clue.test or unsaid)
        if chance is not None or clue.test or unsaid != "flight":
            return chance
        comb = CHANCE_OF_COMB[clue.step] or 1 - CHANCE_OF_COMB.sum()
        alone = comb if clue.name in COMBS else 1 / len(STEPS)
        return np.full(len(self.states), alone ** self.trust.get(clue.name, 1.0))

    def weights(self, clue: Observation, prior: Mapping[str, float]) -> dict[str, float]:
        """Log10 of the likelihood ratio of a clue: each condition against the others at their prior odds."""
        found = [c for test in ([clue.test] if clue.test else UNSAID) if (c := self.chances(clue, test)) is not None]
        if not found:
            return dict.fromkeys(self.conditions, 0.0)
        mean = self._by_condition(np.mean(found, axis=0))
        others = np.array([prior[c] for c in self.conditions]) * (1 - np.eye(len(mean)))
        return dict(zip(self.conditions, np.log10(mean * others.sum(axis=1) / (others @ mean)).tolist(), strict=True))

    def against_none(self, clue: Observation) -> dict[str, float]:
        """Log10 of the likelihood ratio of a clue whose test was said: each condition against a healthy motor."""
        found = self.chances(clue, clue.test or UNSAID[0])
        if found is None:
            return dict.fromkeys(self.conditions, 0.0)
        mean = dict(zip(self.conditions, self._by_condition(found), strict=True))
        return {name: math.log10(each / mean["healthy"]) for name, each in mean.items()}

    def _by_condition(self, chance: Array) -> Array:
        """Chances under each state, (states,), as means over the severities of each condition, (conditions,)."""
        own = np.array(self.conditions)[:, None] == np.array([condition for condition, _ in self.states])
        return np.asarray(own @ chance / own.sum(axis=1))


def read_likelihoods(text: str, trust: Mapping[str, float]) -> Likelihoods:
    """Read a table as `vibekit.likelihood_table` makes it.

    Which part of a bearing of unknown size is struck no order tells: rows of a comb at such an order are the mean of the parts'.
    """
    rows = rows_of(text)
    states = tuple(dict.fromkeys((r["condition"], r["severity"]) for r in rows))
    at = {state: i for i, state in enumerate(states)}
    tables: dict[tuple[str, str, str], Array] = {}
    for r in rows:
        table = tables.setdefault((r["clue"], r["test"], r["way"]), np.full((len(states), len(STEPS)), 1 / len(STEPS)))
        table[at[r["condition"], r["severity"]]] = [float(r[step]) for step in STEPS]
    for (clue, _, _), table in tables.items():
        if clue == ANY:
            for severity in {severity for condition, severity in states if condition in STRUCK}:
                own = [at[condition, severity] for condition in STRUCK if (condition, severity) in at]
                table[own] = table[own].mean(axis=0)
    return Likelihoods(states, tables, trust)


@cache
def load_likelihoods() -> Likelihoods:
    """Read the tables in `reference_spectra`, made on the rig by `python -m vibekit.calibration`."""
    trust = {r["clue"]: float(r["power"]) for r in rows_of(table_text("trust.csv"))}
    return read_likelihoods(table_text("likelihoods.csv"), trust)
