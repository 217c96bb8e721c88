"""The next measurement worth most: the one expected to tell most about what is wrong."""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from vibekit.catalogue import load_catalogue
from vibekit.change import CHANGES
from vibekit.defect_comb import ANY
from vibekit.likelihood import Likelihoods
from vibekit.observation import LONE, PARTS, SCORES, UNSAID, Observation
from vibekit.questions import QUESTIONS, Question
from vibekit.settings import Settings, Test

Array = npt.NDArray[np.float64]
BENCH: tuple[Test, ...] = ("bare", "prop", "run-up")  # what may be asked for; a flight never is
DRAWS = 400
WORTH = 0.03  # bits below which no measurement is worth naming
DAMAGED = 0.05  # share of each answer that tells of damage on parts that have none (common practice, no source)
CHEAPER = 0.85  # what costs less is asked for first when it is expected to tell that share of the best
LOW = ("1x", "2x")  # all that a slow sensor sees
# chance that a swap says propeller, motor, nothing, by group of conditions; a fixing is made anew at each swap
SWAP = {"propeller": (0.96, 0.01, 0.03), "fixing": (0.2, 0.3, 0.5), "none": (0.01, 0.01, 0.98)}
SWAP_MOTOR = (0.01, 0.93, 0.06)  # the same of any other fault; tests/test_swap.py holds the swap to better
HOW: Mapping[Test, str] = {
    "bare": "Record it bare, propeller off, at the speed of the other recordings",
    "prop": "Record it with its propeller, steady, behind a guard",
    "run-up": "Record a slow, even run-up with its propeller, behind a guard",
}
OTHERS = ", and the other motors or a sound recording of its own in the same way"
BATTERY = "Battery out, by eye and hand (`vibekit inspect`)"
GEOMETRY = "Give the geometry of its bearing (balls, ball and pitch diameter in mm) and have its bare recording judged again"
POLES = "Count the poles of its bell, state them and have its recordings judged again"
BLADES = "Count the blades of one propeller, state them (`--blades`) and have the flight judged again"
SWAPPED = (
    "Take its propeller off and on three times and measure each time, then swap it with that of a rotor that turns the same way "
    "(`vibekit swap`)"
)


@dataclass(frozen=True, slots=True)
class Reach:
    """What can still be had of a motor: `tests` its craft can do, what was `asked` by eye and hand, and whether propellers were swapped."""

    tests: Collection[str] = BENCH
    asked: Collection[str] = ()
    swapped: bool = False


@dataclass(frozen=True, slots=True)
class NextMeasurement:
    """A measurement and what it is worth.

    key: "bare", "prop-edge", "swap" ...; words: what to do
    bits, open_bits: information about the condition that it is expected to give, and all that is open
    splits: the two conditions that it does most to tell apart
    """

    key: str
    words: str
    bits: float
    open_bits: float
    splits: tuple[str, str]

    @property
    def sentence(self) -> str:
        """What to do, and why this."""
        first, second = (load_catalogue()[name].words for name in sorted(self.splits, key=lambda name: name == "healthy"))
        share = min(100 * self.bits / self.open_bits, 95)
        between = f"{first}, or nothing" if "healthy" in self.splits else f"{first}, or {second}"
        return f"{self.words.rstrip('.')} (expected to settle {share:.0f} % of what is open, above all: {between})."


@dataclass(frozen=True, slots=True)
class _Candidate:
    """A measurement: for each of its outcomes `chance` (states, steps), by which it falls, and `weighed`, by which it is judged."""

    key: str
    words: str
    tables: tuple[tuple[Array, Array], ...]


def next_measurements(
    seen: Sequence[Observation],
    settings: Sequence[Settings],
    likelihoods: Likelihoods,
    prior: Mapping[str, float],
    *,
    reach: Reach | None = None,
    compared: bool = True,
    slow: bool = False,
) -> tuple[NextMeasurement, ...]:
    """Rank the measurements not yet made of one motor by the information expected of them, the best first; cheap ones before their equals.

    seen, settings: of the recordings made; prior: of each condition, with what eye and hand said; slow: the sensor sees 1x and 2x only
    The worth of an experiment is the mutual information between the state and its outcome (Lindley, Ann. Math. Stat. 27 (1956) 986),
    here the mean gain of the logarithm of the true condition's probability over outcomes drawn from the tables of the rig. Clues
    count as far as they are trusted beside the others, as in the verdict. Drawn with one seed: the same readings ask for the same.
    """
    reach = reach or Reach()
    weight = _weights(seen, likelihoods, prior)
    names = likelihoods.conditions
    member = np.array([[condition == name for condition, _ in likelihoods.states] for name in names], float)
    before = member @ weight
    open_bits = _open(before)
    rng = np.random.default_rng(1)
    drawn = rng.choice(weight.size, DRAWS, p=weight)
    truth = member.argmax(axis=0)[drawn]
    ranked = []
    for candidate in _candidates(seen, settings, likelihoods, reach, compared=compared, slow=slow):
        logs = np.log(np.maximum(weight, 1e-300))
        for chance, weighed in candidate.tables:
            step = (chance.cumsum(axis=1)[drawn] < rng.random((DRAWS, 1))).sum(axis=1).clip(max=chance.shape[1] - 1)
            logs = logs + np.log(weighed.T)[step]
        after = np.exp(logs - logs.max(axis=1, keepdims=True)) @ member.T
        after /= after.sum(axis=1, keepdims=True)
        gain = float(np.mean(np.log2(np.maximum(after[np.arange(DRAWS), truth], 1e-12) / before[truth])))
        ranked.append(NextMeasurement(candidate.key, candidate.words, gain, open_bits, _splits(names, before, after, truth)))
    worth = [n for n in ranked if n.bits >= WORTH]
    if not worth:
        return ()
    most = max(n.bits for n in worth)
    first = next(n for n in worth if n.bits >= CHEAPER * most)
    return (first, *sorted((n for n in worth if n is not first), key=lambda n: -n.bits))


def bits_of_counting(chance: Mapping[str, float], counted: Mapping[int, tuple[float, Mapping[str, float]]]) -> float:
    """What counting the blades is expected to tell of the condition, bits (mutual information, as in `next_measurements`).

    chance: of each condition; counted: {blades: (its probability, chance of each condition if it is so)}; a number that is not among
    them would leave the chances as they are
    """
    rest = 1 - sum(p for p, _ in counted.values())
    each = [*counted.values(), (rest, chance)]
    mean = np.sum([p * np.array([after[name] for name in chance]) for p, after in each], axis=0)
    return max(_open(mean) - sum(p * _open(np.array(list(after.values()))) for p, after in each), 0.0)


def _open(chance: Array) -> float:
    """Entropy, bits."""
    return -float(np.sum(chance * np.log2(np.maximum(chance, 1e-300))))


def _weights(seen: Sequence[Observation], likelihoods: Likelihoods, prior: Mapping[str, float]) -> Array:
    """Probability of each state; where the test was not said, as if bare."""
    found = [chance for clue in seen if (chance := likelihoods.chances(clue, clue.test or UNSAID[0])) is not None]
    logs = likelihoods.start(prior) + np.sum(np.log(found), axis=0) if found else likelihoods.start(prior)
    weight = np.exp(logs - logs.max())
    return np.asarray(weight / weight.sum())


def _splits(names: Sequence[str], before: Array, after: Array, truth: npt.NDArray[np.int64]) -> tuple[str, str]:
    """The pair of conditions of which the wrong one loses most when the other is true."""
    lost = (truth == np.arange(len(names))[:, None]).astype(float) @ (before - after)
    lost += lost.T
    np.fill_diagonal(lost, -math.inf)
    first, second = (int(i) for i in np.unravel_index(int(lost.argmax()), lost.shape))
    likelier, other = sorted((first, second), key=lambda i: -before[i])
    return names[likelier], names[other]


def _candidates(
    seen: Sequence[Observation], settings: Sequence[Settings], likelihoods: Likelihoods, reach: Reach, *, compared: bool, slow: bool
) -> Iterator[_Candidate]:
    """Every measurement that can still be made, the cheapest first."""
    done = {s.test for s in settings}
    have = {(o.name, o.test) for o in seen}
    geometry, poles = any(s.bearings for s in settings), any(s.poles for s in settings)
    for question in QUESTIONS:
        if question.subject in ("propeller", "motor") and not question.only and question.id not in reach.asked:
            chance = _answers(question, tuple(likelihoods.states))
            if chance is not None:
                yield _Candidate(question.id, f"{BATTERY}: {question.text}", ((chance, chance),))
    if not geometry and not slow and "bare" in done:
        yield from _measured("bearing", GEOMETRY, [(name, "bare") for name in PARTS], likelihoods)
    if not poles and not slow and done & set(BENCH) and compared:
        yield from _measured("poles", POLES, [("electrical lines", test) for test in BENCH if test in done], likelihoods)
    if not compared and done & set(BENCH):
        clues = [(name, test) for name in CHANGES for test in BENCH if test in done and (name, test) not in have]
        words = "Record the other motors in the same way, or a sound recording of this one"
        yield from _measured("others", words, [c for c in clues if not slow or c[0] in LOW], likelihoods)
    for test in BENCH:
        if test in done or test not in reach.tests:
            continue
        clues = [(name, test) for name in (*CHANGES, LONE, *SCORES) if not slow or name in LOW]
        left_out = {ANY} if geometry else set(PARTS)
        left_out |= set() if poles else {"electrical lines"}
        words = HOW[test] + ("" if compared and done else OTHERS)
        yield from _measured(test, words, [c for c in clues if c[0] not in left_out], likelihoods)
    if "prop" in done and not reach.swapped and "prop" in reach.tests:
        chance = _swap(tuple(likelihoods.states))
        yield _Candidate("swap", SWAPPED, ((chance, chance),))


def _measured(key: str, words: str, clues: Sequence[tuple[str, str]], likelihoods: Likelihoods) -> Iterator[_Candidate]:
    tables = []
    for name, test in clues:
        chance, weighed = likelihoods.table(name, test, None), likelihoods.weighed(name, test, None)
        if chance is not None and weighed is not None:
            tables.append((chance / chance.sum(axis=1, keepdims=True), weighed))
    if tables:
        yield _Candidate(key, words, tuple(tables))


@lru_cache(maxsize=64)
def _answers(question: Question, states: tuple[tuple[str, str], ...]) -> Array | None:
    """Chance of each answer under each state, (states, answers), from what the answer speaks for; None when it speaks of nothing."""
    if not any(choice.strength for choice in question.choices):
        return None
    found = [bool(choice.speaks_for) for choice in question.choices]
    fine = (1 - DAMAGED * sum(found)) / max(len(found) - sum(found), 1)
    rows = np.empty((len(states), len(question.choices)))
    for i, (condition, _) in enumerate(states):
        rows[i] = [
            (DAMAGED if choice.speaks_for else fine)
            * 10 ** (choice.strength * ((condition in choice.speaks_for) - (condition in choice.speaks_against)))
            for choice in question.choices
        ]
    return np.asarray(rows / rows.sum(axis=1, keepdims=True))


@lru_cache(maxsize=4)
def _swap(states: tuple[tuple[str, str], ...]) -> Array:
    """Chance that a swap says propeller, motor or nothing under each state, (states, 3)."""
    catalogue = load_catalogue()
    return np.array([SWAP.get(catalogue[condition].group, SWAP_MOTOR) for condition, _ in states])
