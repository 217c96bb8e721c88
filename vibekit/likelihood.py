"""How often each condition gives each step of each clue, and what clues together make of the conditions."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
import numpy.typing as npt

from vibekit.observation import COMBS, STEPS, Observation

Array = npt.NDArray[np.float64]
UNSAID = ("bare", "prop")
UNFORESEEN_COMB = 0.002  # a comb's score is a chance reckoned beforehand, whatever the machine
UNFORESEEN = 0.02  # share of cases taken to be unlike anything on the rig: any step is then equally likely


@dataclass(frozen=True, slots=True)
class Likelihoods:
    """Frequencies of the steps on the rig.

    states: (condition, severity) for each row of a table; a condition's severities are alternatives of equal chance
    tables: {(clue, test): (states, steps) frequencies, rows sum to 1}
    """

    states: tuple[tuple[str, str], ...]
    tables: Mapping[tuple[str, str], Array]

    @property
    def conditions(self) -> tuple[str, ...]:
        """Every condition, in order."""
        return tuple(dict.fromkeys(condition for condition, _ in self.states))

    def chances(self, clue: Observation, test: str) -> Array | None:
        """Chance of this clue's step under each state, (states,), when it was seen in `test`; None when the tables do not hold it."""
        table = self.tables.get((clue.name, test))
        if table is None:
            return None
        strange = UNFORESEEN_COMB if clue.name in COMBS else UNFORESEEN
        return np.asarray((1 - strange) * table[:, clue.step] + strange / len(STEPS))

    def posterior(self, clues: Sequence[Observation], prior: Mapping[str, float]) -> dict[str, float]:
        """Probability of each condition, clues taken as independent given condition and severity (Bayes).

        Where the test was not said, it was the same for all such clues: bare or with the propeller, equally likely.
        """
        size = {condition: sum(c == condition for c, _ in self.states) for condition in self.conditions}
        start = np.log([prior[condition] / size[condition] for condition, _ in self.states])
        logs = []
        for unsaid in UNSAID if any(clue.test is None for clue in clues) else UNSAID[:1]:
            found = [chance for clue in clues if (chance := self.chances(clue, clue.test or unsaid)) is not None]
            logs.append(start + np.sum(np.log(found), axis=0) if found else start)
        weight = np.exp(np.array(logs) - np.max(logs)).sum(axis=0)
        weight /= weight.sum()
        total = dict.fromkeys(self.conditions, 0.0)
        for (condition, _), w in zip(self.states, weight, strict=True):
            total[condition] += float(w)
        return total

    def weight(self, clue: Observation, condition: str, prior: Mapping[str, float]) -> float:
        """Log10 of the likelihood ratio of a clue: this condition against the others at their prior odds."""
        found = [c for test in ([clue.test] if clue.test else UNSAID) if (c := self.chances(clue, test)) is not None]
        if not found:
            return 0.0
        chance = np.mean(found, axis=0)
        mean = {c: float(np.mean([chance[i] for i, (state, _) in enumerate(self.states) if state == c])) for c in self.conditions}
        others = [(prior[c], mean[c]) for c in self.conditions if c != condition]
        against = sum(p * m for p, m in others) / sum(p for p, _ in others)
        return float(np.log10(mean[condition] / against))


@cache
def load_likelihoods() -> Likelihoods:
    """Read the table in `reference_spectra`, made on the rig by `python -m vibekit.calibration`."""
    text = (files("vibekit.reference_spectra") / "likelihoods.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))
    states = tuple(dict.fromkeys((r["condition"], r["severity"]) for r in rows))
    at = {state: i for i, state in enumerate(states)}
    tables: dict[tuple[str, str], Array] = {}
    for r in rows:
        table = tables.setdefault((r["clue"], r["test"]), np.full((len(states), len(STEPS)), 1 / len(STEPS)))
        table[at[r["condition"], r["severity"]]] = [float(r[step]) for step in STEPS]
    return Likelihoods(states, tables)
