"""Make the table of likelihoods: how often each condition, at each severity, gives each step of each clue on the rig."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.catalogue import load_catalogue
from vibekit.observation import STEPS, UNCHANGED, WAYS, Observation

Array = npt.NDArray[np.float64]
PRIOR_CASES = 3.0  # what the shares of all severities of a condition count for in each
MOVES, CHANCE = 0.08, 1e-5  # a condition has a row of its own where it raises a clue in so many more cases, by chance at most so often
POOLED_CASES = 300.0  # what the shares of all conditions that leave a clue alone count for in each of them
SENSOR_CASES = 10.0  # what the shares with all sensors count for in those with one kind


@dataclass(frozen=True, slots=True)
class SeenCase:
    """What was observed of one rotor of known condition; severity as text, "0" when healthy."""

    condition: str
    severity: str
    seen: tuple[Observation, ...]


def likelihood_table(cases: Iterable[SeenCase]) -> str:
    """Text of likelihoods.csv.

    Where the catalogue says nothing of a clue under a condition, the condition leaves it alone: its row, all severities together, is
    drawn by POOLED_CASES towards that of all such conditions, the healthy among them, so that rare steps are counted over thousands of
    cases. A state of which the catalogue does speak, or of which the rig shows beyond chance that it raises the clue (`_moving`), has
    its own row, drawn by PRIOR_CASES cases towards that of all severities of its condition. What a microphone hears and what is felt by
    touch are counted apart, each drawn by SENSOR_CASES towards both together. Pulses count as far as they could be seen.
    """
    counts: defaultdict[tuple[str, str, str, str, str, int], float] = defaultdict(float)
    for c in cases:
        for o in c.seen:
            counts[c.condition, c.severity, o.name, o.test or "", o.way or "", o.step] += o.shown
    catalogue = load_catalogue()
    states, clues = sorted({key[:2] for key in counts}), sorted({key[2:4] for key in counts})
    rows: dict[tuple[str, ...], Array] = {
        (*s, *c, way): np.array([counts[*s, *c, way, step] for step in range(len(STEPS))]) for s in states for c in clues for way in WAYS
    }
    alone: defaultdict[tuple[str, ...], Array] = defaultdict(lambda: np.full(len(STEPS), 0.5))  # Jeffreys' prior of a multinomial
    kin: defaultdict[tuple[str, ...], Array] = defaultdict(lambda: np.full(len(STEPS), 0.5))
    moving = _moving(rows)
    for (condition, _, clue, test, way), row in rows.items():
        left_alone = catalogue[condition].expects(clue, test) in (None, "unchanged", "absent") and (condition, clue, test) not in moving
        for group in ((clue, test), (clue, test, way)):
            if left_alone:
                alone[group] += row
            else:
                kin[condition, *group] += row
    lines = [f"condition,severity,clue,test,way,{','.join(STEPS)},cases"]
    for (condition, severity, clue, test, way), row in rows.items():
        null = _drawn(alone[clue, test, way], alone[clue, test])
        if (condition, clue, test) not in kin:
            whole = np.sum([rows[condition, s, clue, test, way] for c, s in states if c == condition], axis=0)
            shares, seen = whole + POOLED_CASES * null, whole.sum()
        else:
            own = _drawn(kin[condition, clue, test, way], kin[condition, clue, test])
            shares, seen = row + PRIOR_CASES * own, row.sum()
            if catalogue[condition].expects(clue, test) != "falls":
                shares = _monotone(shares / shares.sum(), null)
        lines.append(",".join([condition, severity, clue, test, way, *(f"{s:.5f}" for s in shares / shares.sum()), f"{seen:.0f}"]))
    return "\n".join(lines) + "\n"


def _moving(rows: Mapping[tuple[str, ...], Array]) -> set[tuple[str, str, str]]:
    """Condition, clue and test of which the rig shows that the condition raises the clue, whatever the catalogue says: in MOVES more of
    the cases than health does, and not by chance (likelihood-ratio test of two multinomials: Wilks, Ann. Math. Statist. 9 (1938) 60-62).
    """
    from scipy.stats import chi2_contingency

    every: defaultdict[tuple[str, str, str], Array] = defaultdict(lambda: np.zeros(len(STEPS)))
    for (condition, _, clue, test, _), row in rows.items():
        every[condition, clue, test] += row
    found = set()
    for (condition, clue, test), row in list(every.items()):
        both = np.array([row, every["healthy", clue, test]])
        if condition == "healthy" or not both.sum(axis=1).all():
            continue
        up = both[:, UNCHANGED + 1 :].sum(axis=1) / both.sum(axis=1)
        if up[0] - up[1] > MOVES and chi2_contingency(both[:, both.any(axis=0)], lambda_="log-likelihood").pvalue < CHANCE:
            found.add((condition, clue, test))
    return found


def _drawn(one: Array, every: Array) -> Array:
    """Shares with one kind of sensor, drawn towards those with every kind."""
    shares = one + SENSOR_CASES * every / every.sum()
    return np.asarray(shares / shares.sum())


def _monotone(shares: Array, null: Array) -> Array:
    """The shares with a likelihood ratio that does not fall from "unchanged" up: more of what a fault raises never speaks against it.

    Monotone likelihood ratio: Karlin & Rubin, Ann. Math. Statist. 27 (1956) 272-299.
    """
    ratio = shares / null
    ratio[UNCHANGED:] = np.maximum.accumulate(ratio[UNCHANGED:])
    return np.asarray(null * ratio)
