"""Bare against with the propeller: is a fault in the motor, or in the propeller and its seat?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from statistics import median
from typing import Literal

import numpy as np

from vibekit.catalogue import load_catalogue
from vibekit.evidence import agreed, grown, perhaps
from vibekit.finding import Evidence
from vibekit.likelihood import load_likelihoods
from vibekit.observation import COMBS, Observation, observe
from vibekit.overload import LESS_GAIN, cut_flat, overload
from vibekit.pulses import ANYWHERE
from vibekit.reading import Reading, values_of
from vibekit.repeatability import Repeatability
from vibekit.shift import HIDDEN, Sides, log_mean, raised, some_show

Place = Literal["nowhere", "seat", "propeller", "motor", "both"]
Answer = Literal["motor", "propeller", "nothing", "cannot tell"]

ANSWERS: dict[Answer, str] = {
    "motor": "the fault is in the motor or its arm: it shows without a propeller, too, or looks like nothing else",
    "propeller": "the fault is in the propeller or its seat: it shows only with the propeller",
    "nothing": "no fault shows, bare or with the propeller",
    "cannot tell": "cannot be told from these readings",
}
SURE = 0.60  # probability from which an answer is given
# share of each place in the conditions of a part; a loose propeller may be worn itself, sit on a worn shaft, or only want fitting again
# (common practice, no source). What is left of a propeller's is dirt under its hub, which refitting takes away
AT: Mapping[str, Mapping[Place, float]] = {
    "propeller": {"propeller": 0.95, "seat": 0.05},
    "propeller fixing": {"seat": 0.5, "propeller": 0.25, "motor": 0.25},
    "none": {"nowhere": 1.0},
}
IN_MOTOR: Mapping[Place, float] = {"motor": 1.0}
TWO = 0.3  # how often two faults come together, against what chance alone would bring together (common practice, no source)
# what a fault of the motor raises when it turns bare: low orders, some of which it then raises with the propeller, too, or what raises
# none of these; of a bearing, pulses at its defect orders besides
LOW = ("1x", "2x", "comb")
APART = ("electrical lines", "roughness", "once a turn", "impulsiveness")
PROPELLER = ("1x", "2x", "other orders")  # what a propeller raises; a damaged blade raises lines at the electrical orders besides
HALF = 0.5  # chance that what one kind of reading shows the other shows, too (common practice, no source)
OUTLIVES = 0.3  # chance that a fault of the seat, such as dirt, outlives taking the propeller off and on (common practice, no source)
ALONE = 2.0  # score by which one recording's pulses may exceed the median one's (common practice, no source)
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


@dataclass(frozen=True, slots=True)
class Bare:
    """Log of how likely bare readings are with a fault in the motor against none, each with its share of the faults.

    hidden: of one that does not show; low: of one that raises low orders, which may show with the propeller, too; apart: of all others
    """

    hidden: float
    low: float
    apart: float

    def with_propeller(self, fitted: float) -> float:
        """The same of readings with the propeller besides. fitted: log of how likely these are with a fault in them against none."""
        return float(np.logaddexp.reduce([self.hidden, self.apart, self.low + float(perhaps(fitted, HALF))]))


NOT_MEASURED = Bare(-math.inf, 0.0, -math.inf)  # all may be


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
    told = [r for r in readings if r.screening.usable or cut_flat(r)]
    now, past = ({test: [r for r in group if r.settings.test == test] for test in ("bare", "prop")} for group in (told, references))
    shows = weigh_bare(now["bare"], past["bare"], repeatability)
    fitted = Sides.of(*(tuple((r,) for r in group["prop"]) for group in (now, past)))
    logs = {name: log for name in PROPELLER if (log := raised(name, fitted, repeatability)) is not None}
    if (louder := overload(now["prop"], past["prop"])) is not None:
        logs["overload"] = louder
    electrical = raised("electrical lines", fitted, repeatability)
    along = [electrical] if electrical is not None and logs.get("other orders", 0.0) > 0 else []
    next_step = ""
    missing = [words for test, words in (("bare", "bare"), ("prop", "with its propeller")) if not now[test]]
    if missing:
        next_step = f"measure it {missing[0]}, too, at the same speed"
    elif shows is None or not logs:
        next_step = "measure a sound motor, or this one when it is sound, in both ways: there is nothing to compare with"
    row = raised("comb", fitted, repeatability)
    weight = _weigh(shows or NOT_MEASURED, some_show([*logs.values(), *along]) if logs else 0.0, electrical, row)
    total = float(np.logaddexp.reduce(list(weight.values())))
    probabilities = {answer: math.exp(log - total) for answer, log in weight.items()}
    best = max(probabilities, key=lambda a: probabilities[a])
    if not next_step and probabilities[best] < SURE:
        again = "measure three times bare, and three times with the propeller, taken off and put back in between"
        next_step = LESS_GAIN if any(map(cut_flat, told)) else again
    evidence = motor_evidence(observe(usable, references, repeatability))
    return BareResult("cannot tell" if next_step else best, probabilities, evidence, next_step)


def _weigh(bare: Bare, fitted: float, electrical: float | None, row: float | None) -> dict[Answer, float]:
    """Log of prior times likelihood of each answer, up to a constant, from what bare readings show, what the propeller's do, and what
    lines at the electrical orders and the row of a loose part do with it: a mount may be loose under thrust only, as a propeller is.
    """
    motor = bare.with_propeller(fitted if row is None else log_mean([fitted, row]))
    if electrical is not None:
        motor = float(np.logaddexp(motor, electrical - math.log(len(LOW) + len(APART) + len(COMBS))))
    at = prior()
    logs: dict[Answer, float] = {
        "motor": math.log(at["motor"]) + motor,
        "propeller": math.log(at["propeller"] + at["seat"]) + fitted,
        "nothing": math.log(at["nowhere"]),
    }
    loose: tuple[tuple[Answer, str], ...] = (("motor", "loose-mount"), ("propeller", "loose-propeller"))
    if row is not None:
        for answer, condition in loose:
            logs[answer] = float(np.logaddexp(logs[answer], math.log(load_catalogue()[condition].prior) + row))
    return logs


def weigh_bare(bare: Sequence[Reading], past: Sequence[Reading], repeatability: Repeatability) -> Bare | None:
    """What bare readings say of a fault in the motor; None where they cannot be compared. past: bare, when it was sound.

    Any one quantity may show the fault: the mean of their likelihood ratios counts, which chance seldom makes large however they
    depend on each other (Vovk & Wang, Ann. Statist. 49 (2021) 1736-1754).
    """
    sides = Sides.of(*((tuple(readings),) if readings else () for readings in (bare, past)))
    low, apart = ([log for name in names if (log := raised(name, sides, repeatability)) is not None] for names in (LOW, APART))
    if (louder := overload(bare, past)) is not None:
        low.append(louder)
    if not low and not apart:
        return None
    apart += [log for part in COMBS if (log := _pulses(part, bare, past)) is not None]
    share = math.log1p(-HIDDEN) - math.log(len(low) + len(apart))
    return Bare(math.log(HIDDEN), *(share + float(np.logaddexp.reduce(logs, initial=-math.inf)) for logs in (low, apart)))


def _pulses(part: str, now: Sequence[Reading], past: Sequence[Reading]) -> float | None:
    """Log of the likelihood ratio of pulses at the order of a part of a bearing, beyond those of the past; None where not measured.

    Those of independent recordings multiply; what one of them shows alone counts little beyond the median one.
    """
    ours, theirs = values_of(now, part + ANYWHERE), values_of(past, part + ANYWHERE)
    if ours and theirs:
        middle = median(ours)
        return math.log(10) * (sum(min(score, middle + ALONE) for score in ours) - agreed(ours) + grown(ours, theirs))
    ours, theirs = values_of(now, part), values_of(past, part)
    return math.log(10) * grown(ours, theirs or [0.0], 1.0) if ours else None


def motor_evidence(seen: Sequence[Observation]) -> tuple[Evidence, ...]:
    """The clues of bare readings, what speaks loudest first: log10 of how much likelier each is with a fault in the motor than without."""
    likelihoods, catalogue = load_likelihoods(), load_catalogue()
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
