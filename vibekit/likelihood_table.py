"""Make the table of likelihoods: how often each condition, at each severity, gives each step of each clue on the rig."""

from collections import Counter, defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.catalogue import load_catalogue
from vibekit.observation import STEPS, UNCHANGED, Observation

Array = npt.NDArray[np.float64]
PRIOR_CASES = 3.0  # what the shares of all severities of a condition count for in each


@dataclass(frozen=True, slots=True)
class SeenCase:
    """What was observed of one rotor of known condition; severity as text, "0" when healthy."""

    condition: str
    severity: str
    seen: tuple[Observation, ...]


def likelihood_table(cases: Iterable[SeenCase]) -> str:
    """Text of likelihoods.csv.

    Where the catalogue says nothing of a clue under a condition, the condition leaves it alone: all such states, the healthy among
    them, share one row, so that its rare steps are counted over thousands of cases. A state of which the catalogue does speak has
    its own row, drawn by PRIOR_CASES cases towards that of all severities of its condition.
    """
    counts = Counter((c.condition, c.severity, o.name, o.test or "", o.step) for c in cases for o in c.seen)
    catalogue = load_catalogue()
    states, clues = sorted({key[:2] for key in counts}), sorted({key[2:4] for key in counts})
    rows = {(*s, *c): np.array([counts[*s, *c, step] for step in range(len(STEPS))], float) for s in states for c in clues}
    alone: defaultdict[tuple[str, str], Array] = defaultdict(lambda: np.full(len(STEPS), 0.5))  # Jeffreys' prior of a multinomial
    kin: defaultdict[tuple[str, str, str], Array] = defaultdict(lambda: np.full(len(STEPS), 0.5))
    for (condition, _, clue, test), row in rows.items():
        if catalogue[condition].expects(clue, test) in (None, "unchanged", "absent"):
            alone[clue, test] += row
        else:
            kin[condition, clue, test] += row
    lines = [f"condition,severity,clue,test,{','.join(STEPS)},cases"]
    for (condition, severity, clue, test), row in rows.items():
        null, own = alone[clue, test] / alone[clue, test].sum(), kin.get((condition, clue, test))
        if own is None:
            shares, seen = null, alone[clue, test].sum()
        else:
            shares, seen = row + PRIOR_CASES * own / own.sum(), row.sum()
            if catalogue[condition].expects(clue, test) != "falls":
                shares = _monotone(shares / shares.sum(), null)
        lines.append(",".join([condition, severity, clue, test, *(f"{s:.5f}" for s in shares / shares.sum()), f"{seen:.0f}"]))
    return "\n".join(lines) + "\n"


def _monotone(shares: Array, null: Array) -> Array:
    """The shares with a likelihood ratio that does not fall from "unchanged" up: more of what a fault raises never speaks against it.

    Monotone likelihood ratio: Karlin & Rubin, Ann. Math. Statist. 27 (1956) 272-299.
    """
    ratio = shares / null
    ratio[UNCHANGED:] = np.maximum.accumulate(ratio[UNCHANGED:])
    return np.asarray(null * ratio)
