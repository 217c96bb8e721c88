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

    def chances(self, clue: Observation) -> Array | None:
        """Chance of this clue's step under each state, (states,); None when the clue is not in the tables.

        Without a test that is known, bare and with-propeller are equally likely.
        """
        kinds = [clue.test] if clue.test else ["bare", "prop"]
        known = [self.tables[clue.name, kind] for kind in kinds if (clue.name, kind) in self.tables]
        if not known:
            return None
        table = np.mean(known, axis=0)[:, clue.step]
        strange = UNFORESEEN_COMB if clue.name in COMBS else UNFORESEEN
        return np.asarray((1 - strange) * table + strange / len(STEPS))

    def posterior(self, clues: Sequence[Observation], prior: Mapping[str, float]) -> dict[str, float]:
        """Probability of each condition, clues taken as independent given condition and severity (Bayes)."""
        size = {condition: sum(c == condition for c, _ in self.states) for condition in self.conditions}
        log = np.log([prior[condition] / size[condition] for condition, _ in self.states])
        for clue in clues:
            chance = self.chances(clue)
            if chance is not None:
                log = log + np.log(chance)
        weight = np.exp(log - log.max())
        weight /= weight.sum()
        total = dict.fromkeys(self.conditions, 0.0)
        for (condition, _), w in zip(self.states, weight, strict=True):
            total[condition] += float(w)
        return total

    def weight(self, clue: Observation, condition: str, prior: Mapping[str, float]) -> float:
        """Log10 of the likelihood ratio of a clue: this condition against the others at their prior odds."""
        chance = self.chances(clue)
        if chance is None:
            return 0.0
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
