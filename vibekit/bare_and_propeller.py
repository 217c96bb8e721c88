"""Bare against with the propeller: is a fault in the motor, or in the propeller and its seat?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np

from vibekit.catalogue import load_catalogue
from vibekit.evidence import grown
from vibekit.finding import Evidence
from vibekit.likelihood import Likelihoods, load_likelihoods
from vibekit.observation import COMBS, Observation, observe
from vibekit.reading import Reading, values_of
from vibekit.refit import Fittings
from vibekit.repeatability import Repeatability
from vibekit.shift import HIDDEN, log_mean, raised, some_show

Place = Literal["nowhere", "seat", "propeller", "motor", "both"]
Answer = Literal["motor", "propeller", "nothing", "cannot tell"]

ANSWERS: dict[Answer, str] = {
    "motor": "the fault is in the motor or its arm: it shows without a propeller, too, or looks like nothing else",
    "propeller": "the fault is in the propeller or its seat: it shows only with the propeller",
    "nothing": "no fault shows, bare or with the propeller",
    "cannot tell": "cannot be told from these readings",
}
SURE = 0.60  # probability from which a fault is placed
SOUND = 0.80  # the same of none: said only when little else is left
# share of each place in the conditions of a part; a loose propeller may be worn itself, sit on a worn shaft, or only want fitting again
# (common practice, no source). What is left of a propeller's is dirt under its hub, which refitting takes away
AT: Mapping[str, Mapping[Place, float]] = {
    "propeller": {"propeller": 0.95, "seat": 0.05},
    "propeller fixing": {"seat": 0.5, "propeller": 0.25, "motor": 0.25},
    "none": {"nowhere": 1.0},
}
IN_MOTOR: Mapping[Place, float] = {"motor": 1.0}
TWO = 0.3  # how often two faults come together, against what chance alone would bring together (common practice, no source)
# what a fault of the motor raises when it turns bare; of a bearing, pulses at its defect orders besides
BARE = ("1x", "2x", "comb", "electrical lines", "roughness", "once a turn", "impulsiveness")
PROPELLER = ("1x", "2x", "other orders")  # what a propeller raises; a damaged blade raises lines at the electrical orders besides
OUTLIVES = 0.3  # chance that a fault of the seat, such as dirt, outlives taking the propeller off and on (common practice, no source)
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


@cache
def prior() -> Mapping[Place, float]:
    """How often a fault is at each place, from the priors of the catalogue's conditions."""
    share: dict[Place, float] = {"nowhere": 0.0, "seat": 0.0, "propeller": 0.0, "motor": 0.0}
    for condition in load_catalogue().conditions:
        for place, part in AT.get(condition.part, IN_MOTOR).items():
            share[place] += part * condition.prior
    return share | {"both": TWO * share["propeller"] * share["motor"]}


def judge_bare(readings: Sequence[Reading], references: Sequence[Reading], repeatability: Repeatability) -> BareResult:
    """Judge the bare readings of one motor together with those that have its propeller. references: of its own sound past, both ways.

    What shows bare is the motor's; what shows only with the propeller is the propeller's or its seat's, but for lines at the electrical
    orders, which want current. Each hypothesis is weighed by how likely it makes the changes since the sound past, by Bayes' rule.
    """
    usable = [r for r in readings if r.screening.usable]
    now, past = ({test: [r for r in group if r.settings.test == test] for test in ("bare", "prop")} for group in (usable, references))
    shows = weigh_bare(now["bare"], past["bare"], repeatability)
    fitted, sound = (tuple((r,) for r in group["prop"]) for group in (now, past))
    logs = {name: log for name in PROPELLER if (log := raised(name, fitted, sound, repeatability)) is not None}
    electrical = raised("electrical lines", fitted, sound, repeatability)
    along = [electrical] if electrical is not None and logs.get("other orders", 0.0) > 0 else []
    next_step = ""
    missing = [words for test, words in (("bare", "bare"), ("prop", "with its propeller")) if not now[test]]
    if missing:
        next_step = f"measure it {missing[0]}, too, at the same speed"
    elif shows is None or not logs:
        next_step = "measure a sound motor, or this one when it is sound, in both ways: there is nothing to compare with"
    weight = _weigh(shows or 0.0, some_show([*logs.values(), *along]) if logs else 0.0, electrical)
    total = float(np.logaddexp.reduce(list(weight.values())))
    probabilities = {answer: math.exp(log - total) for answer, log in weight.items()}
    best = max(probabilities, key=lambda a: probabilities[a])
    if not next_step and probabilities[best] < (SOUND if best == "nothing" else SURE):
        next_step = "measure three times bare, and three times with the propeller, taken off and put back in between"
    evidence = motor_evidence(observe(usable, references, repeatability))
    return BareResult("cannot tell" if next_step else best, probabilities, evidence, next_step)


def _weigh(bare: float, fitted: float, electrical: float | None) -> dict[Answer, float]:
    """Log of prior times likelihood of each answer, up to a constant, from what bare readings show, what the propeller's do, and what
    lines at the electrical orders do with it. What a motor shows bare it may show with the propeller, too.
    """
    motor = bare + math.log(0.5) + float(np.logaddexp(0.0, fitted))
    if electrical is not None:
        motor = float(np.logaddexp(motor, electrical - math.log(len(BARE) + 1)))
    at = prior()
    return {
        "motor": math.log(at["motor"]) + motor,
        "propeller": math.log(at["propeller"] + at["seat"]) + fitted,
        "nothing": math.log(at["nowhere"]),
    }


def weigh_bare(bare: Sequence[Reading], past: Sequence[Reading], repeatability: Repeatability) -> float | None:
    """Log of how likely bare readings are with a fault in the motor against none; None where they cannot be compared.

    past: bare, when it was sound. Any one quantity may show the fault: the mean of their likelihood ratios counts, which chance seldom
    makes large however they depend on each other (Vovk & Wang, Ann. Statist. 49 (2021) 1736-1754).
    """
    logs = [log for name in BARE if (log := raised(name, _one(bare), _one(past), repeatability)) is not None]
    if not logs:
        return None
    return float(np.logaddexp(math.log(HIDDEN), math.log1p(-HIDDEN) + log_mean([*logs, _pulses(bare, past)])))


def _one(readings: Sequence[Reading]) -> Fittings:
    return (tuple(readings),) if readings else ()


def _pulses(now: Sequence[Reading], past: Sequence[Reading]) -> float:
    """Log of the likelihood ratio of pulses at a bearing's defect orders, beyond those of the past, mean over the parts of a bearing."""
    found = []
    for name in COMBS:
        ours, theirs = values_of(now, name), values_of(past, name)
        if ours:
            new = grown(ours, theirs or [0.0], 1.0)
            found.append(math.log(10) * new if new > 0 else -math.inf)
    return log_mean(found) if found else -math.inf


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
