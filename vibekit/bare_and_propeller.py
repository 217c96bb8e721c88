"""Bare against with the propeller: is a fault in the motor, or in the propeller and its seat?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from vibekit.catalogue import load_catalogue
from vibekit.finding import Evidence
from vibekit.likelihood import UNFORESEEN, Likelihoods, load_likelihoods
from vibekit.observation import COMBS, STEPS, Observation, observe
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Place = Literal["nowhere", "seat", "propeller", "motor", "both"]
Answer = Literal["motor", "propeller", "nothing", "cannot tell"]

ANSWERS: dict[Answer, str] = {
    "motor": "the fault is in the motor or its arm: it shows without a propeller, too, or looks like nothing else",
    "propeller": "the fault is in the propeller or its seat: it shows only with the propeller",
    "nothing": "no fault shows, bare or with the propeller",
    "cannot tell": "cannot be told from these readings",
}
SURE = 0.85  # probability from which an answer is given
# share of each place in the conditions of a part; a loose propeller may be worn itself, sit on a worn shaft, or only want fitting again
# (common practice, no source). What is left of a propeller's is dirt under its hub, which refitting takes away
AT: Mapping[str, Mapping[Place, float]] = {
    "propeller": {"propeller": 0.95, "seat": 0.05},
    "propeller fixing": {"seat": 0.5, "propeller": 0.25, "motor": 0.25},
    "none": {"nowhere": 1.0},
}
IN_MOTOR: Mapping[Place, float] = {"motor": 1.0}
TWO = 0.3  # how often two faults come together, against what chance alone would bring together (common practice, no source)
PLACES: tuple[Place, ...] = ("nowhere", "seat", "propeller", "motor")
LEAST_WEIGHT = 0.3  # log10 below which a clue is not worth a line


@dataclass(frozen=True, slots=True)
class BareResult:
    """What bare readings say beside those with the propeller. probabilities: of every answer but "cannot tell"

    evidence: clues that speak for or against the motor; next_step: what to measure where it cannot be told, else ""
    """

    answer: Answer
    probabilities: dict[Answer, float]
    evidence: tuple[Evidence, ...]
    next_step: str


def judge_bare(readings: Sequence[Reading], references: Sequence[Reading], repeatability: Repeatability) -> BareResult:
    """Judge the bare readings of one motor together with those that have its propeller. references: of its own sound past, both ways.

    What shows bare is the motor's; what shows only with the propeller is the propeller's or its seat's. How often each condition gives
    what was seen is known from the rig (`vibekit.likelihood`); conditions are summed by the place of their part, by Bayes' rule.
    """
    usable = [r for r in readings if r.screening.usable]
    seen = observe(usable, references, repeatability)
    weight = weigh_places(seen)
    del weight["both"]
    total = float(np.logaddexp.reduce(list(weight.values())))
    chance = {place: math.exp(log - total) for place, log in weight.items()}
    probabilities: dict[Answer, float] = {
        "motor": chance["motor"],
        "propeller": chance["propeller"] + chance["seat"],
        "nothing": chance["nowhere"],
    }
    tests, compared = {r.settings.test for r in usable}, {o.test for o in seen if o.name == "1x"}
    missing = [words for test, words in (("bare", "bare"), ("prop", "with its propeller")) if test not in tests]
    best = max(probabilities, key=lambda a: probabilities[a])
    next_step = ""
    if missing:
        next_step = f"measure it {missing[0]}, too, at the same speed"
    elif compared < {"bare", "prop"}:
        next_step = "measure a sound motor, or this one when it is sound, in both ways: there is nothing to compare with"
    elif probabilities[best] < SURE:
        next_step = "measure three times bare, and three times with the propeller, taken off and put back in between"
    return BareResult("cannot tell" if next_step else best, probabilities, motor_evidence(seen), next_step)


def weigh_places(seen: Sequence[Observation], likelihoods: Likelihoods | None = None) -> dict[Place, float]:
    """Log of prior times likelihood of each place where the fault may be, not normalised.

    Two faults at once: each clue is as high as the one of them that raises it more.
    """
    likelihoods = likelihoods or load_likelihoods()
    catalogue = load_catalogue()
    prior = likelihoods.start({c.condition: c.prior for c in catalogue.conditions if c.prior > 0})
    parts = [catalogue[condition].part for condition, _ in likelihoods.states]
    rows = [(o, chance) for o in seen if o.test and (chance := likelihoods.chances(o, o.test)) is not None]
    logs = prior + np.sum(np.log([chance for _, chance in rows]), axis=0) if rows else prior
    share = {place: np.array([AT.get(part, IN_MOTOR).get(place, 0.0) for part in parts]) for place in PLACES}
    weight = {place: _log_sum(logs, of) for place, of in share.items()}
    motor, propeller = share["motor"] == 1, share["propeller"] >= AT["propeller"]["propeller"]
    pair = math.log(TWO) + prior[motor][:, None] + prior[propeller][None, :]
    for o, chance in rows:
        if o.test == "bare" or o.name in COMBS:  # the motor's alone
            pair = pair + np.log(chance[motor])[:, None]
        else:
            pair = pair + np.log(_louder(o, likelihoods, motor, propeller))
    return {**weight, "both": float(np.logaddexp.reduce(pair, axis=None))}


def _louder(o: Observation, likelihoods: Likelihoods, motor: Mask, propeller: Mask) -> Array:
    """Chance of a clue, (motor states, propeller states), where both faults are there and the one that raises it more is seen."""
    table = likelihoods.tables[o.name, o.test or ""]
    reach = np.cumsum(table / table.sum(axis=1, keepdims=True), axis=1)
    up_to = reach[motor, o.step][:, None] * reach[propeller, o.step][None, :]
    below = reach[motor, o.step - 1][:, None] * reach[propeller, o.step - 1][None, :] if o.step else 0.0
    chance = (1 - UNFORESEEN) * (up_to - below) + UNFORESEEN / len(STEPS)
    return np.asarray(chance ** likelihoods.trust.get(o.name, 1.0))


def motor_evidence(seen: Sequence[Observation], likelihoods: Likelihoods | None = None) -> tuple[Evidence, ...]:
    """The clues of bare readings, what speaks loudest first: log10 of how much likelier each is with a fault in the motor than without."""
    likelihoods = likelihoods or load_likelihoods()
    catalogue = load_catalogue()
    parts = [catalogue[condition].part for condition, _ in likelihoods.states]
    motor, sound = (np.array([part not in AT for part in parts]), np.array([part == "none" for part in parts]))
    found = []
    for o in seen:
        chance = likelihoods.chances(o, "bare") if o.test == "bare" else None
        if chance is not None:
            weight = math.log10(chance[motor].mean() / chance[sound].mean())
            if abs(weight) >= LEAST_WEIGHT:
                found.append(Evidence(o.text, weight > 0, round(weight, 3)))
    return tuple(sorted(found, key=lambda e: -abs(e.weight)))


def _log_sum(logs: Array, share: Array) -> float:
    with np.errstate(divide="ignore"):
        return float(np.logaddexp.reduce(logs + np.log(share)))
