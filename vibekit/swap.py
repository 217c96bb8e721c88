"""The swap test: the propellers of two rotors change places; does the fault go with the propeller, or stay with the motor?"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vibekit.bare_and_propeller import APART, HALF, OUTLIVES, SURE, Bare, Place, judge_bare, motor_evidence, prior, weigh_bare
from vibekit.change import changed, pair_up
from vibekit.evidence import perhaps
from vibekit.finding import Evidence
from vibekit.observation import SCORES, WORDS, observe
from vibekit.overload import LESS_GAIN, cut_flat
from vibekit.reading import Reading
from vibekit.refit import REFITS, Fittings, flat
from vibekit.repeatability import Repeatability
from vibekit.shift import log_mean, some_show
from vibekit.swap_evidence import FAULTY, QUANTITIES, Compared, Moved, Weighed, weigh, weigh_overload
from vibekit.wording import listed

Answer = Literal["propeller", "motor", "both", "refit", "cannot tell"]

ANSWERS: dict[Answer, str] = {
    "propeller": "the fault went with the propeller",
    "motor": "the fault stayed with the motor",
    "both": "something went with the propeller and something stayed with the motor",
    "refit": "no fault that stands above what refitting does",
    "cannot tell": "cannot be told from these readings",
}
HEARD = 1.0  # weight of bare evidence, clicks or pulses, on which a motor is blamed without a past to compare with
NULL = 3.0  # deviates by which an untouched rotor moves when more than the propellers changed


@dataclass(frozen=True, slots=True)
class Swapped:
    """Readings of a rotor with its own propeller (`before`) and with the other's (`after`), for each time one was fitted.

    bare: without one, now, on either side; past: with its propeller when it was sound, past_bare: bare; what was not measured is empty
    """

    position: str
    before: Fittings
    after: Fittings
    bare: tuple[Reading, ...] = ()
    past: Fittings = ()
    past_bare: tuple[Reading, ...] = ()

    @property
    def refits(self) -> int:
        """How often its own propeller was fitted before the swap."""
        return len(self.before)


@dataclass(frozen=True, slots=True)
class SwapResult:
    """What the swap says. probabilities: of every answer but "cannot tell"; moved: what speaks loudest first; bare: what bare readings say

    odds: natural log of how likely all readings are with a fault at each place against none
    refits: fittings of the first rotor before the swap; next_step: what to measure when it cannot be told or nothing shows, else ""
    """

    answer: Answer
    probabilities: dict[Answer, float]
    moved: tuple[Moved, ...]
    bare: tuple[Evidence, ...]
    odds: dict[Place, float]
    refits: int
    cautions: tuple[str, ...]
    next_step: str


def judge_swap(first: Swapped, second: Swapped, repeatability: Repeatability, untouched: Sequence[Swapped] = ()) -> SwapResult:
    """Judge the swap of the propellers of two rotors. first: the suspect; untouched: rotors that nobody touched in between.

    Each place where the fault may be is weighed by how likely it makes what the readings with the propellers did
    (`vibekit.swap_evidence`) and what the suspect does bare (`vibekit.bare_and_propeller`), by Bayes' rule. Good propellers and motors
    differ, too, so without a sound past only two things are told: that a fault went with the propeller, and what is heard of a bare motor.
    """
    shaken = {name for rotor in untouched for name in _moved_by_itself(rotor, repeatability)}
    idle = [(rotor.before, rotor.after) for rotor in untouched]
    sides = Compared.of((first.before, first.after), (second.before, second.after), first.past, idle)
    weighed = {name: w for name in QUANTITIES if sides and (w := weigh(name, sides, repeatability))}
    if sides and (louder := weigh_overload(sides)):
        weighed["overload"] = louder
    heard = observe(first.bare, first.past_bare, repeatability)
    bare = motor_evidence([o for o in heard if first.past_bare or o.name in SCORES])
    odds = _odds(weighed, _shows_bare(first, bare, repeatability))
    odds["seat"] += max(first.refits - 1, 0) * math.log(OUTLIVES)  # it showed in every fitting
    logs = {place: math.log(share) + odds[place] for place, share in prior().items()}
    total = float(np.logaddexp.reduce(list(logs.values())))
    chance = {place: math.exp(log - total) for place, log in logs.items()}
    probabilities: dict[Answer, float] = {
        "propeller": chance["propeller"],
        "motor": chance["motor"],
        "both": chance["both"],
        "refit": chance["nowhere"] + chance["seat"],
    }
    best = max(probabilities, key=lambda a: probabilities[a])
    known = first.past or best == "propeller" or (best == "motor" and any(e.weight >= HEARD for e in bare))
    told = weighed and known and probabilities[best] >= SURE
    if told and best == "refit" and chance["nowhere"] > chance["seat"]:
        told = not _hurt(first, repeatability)
    answer: Answer = best if told else "cannot tell"
    place = max(FAULTY, key=lambda p: chance[p])
    moved = [replace(m, weight=like[place]) for w in weighed.values() for m, like in w.moved]
    asked = _next(answer, first, second) if weighed else "measure both rotors before and after, same test, sensor, set-up and speed"
    cautions = _cautions(first, second, untouched, shaken)
    return SwapResult(answer, probabilities, tuple(sorted(moved, key=lambda m: -m.weight)), bare, odds, first.refits, cautions, asked)


def _shows_bare(first: Swapped, heard: Sequence[Evidence], repeatability: Repeatability) -> Bare | None:
    """What the suspect's bare readings say of a fault in the motor; None without any.

    Without a past only what is heard by itself counts, clicks and pulses.
    """
    shows = weigh_bare(first.bare, first.past_bare, repeatability)
    if shows is None and first.bare:
        return Bare(-math.inf, log_mean([math.log(10) * e.weight for e in heard]) if heard else 0.0, -math.inf)
    return shows


def _hurt(first: Swapped, repeatability: Repeatability) -> bool:
    """Whether the suspect alone, before the swap, shows a fault against its own past: that it followed nothing does not make it sound."""
    if not (first.past and first.bare and first.past_bare):
        return False
    own = judge_bare([*flat(first.before), *first.bare], [*flat(first.past), *first.past_bare], repeatability)
    return 1 - own.probabilities["nothing"] >= SURE


def _odds(weighed: Mapping[str, Weighed], bare: Bare | None) -> dict[Place, float]:
    """Log of how likely all readings are with a fault at each place against none.

    What a motor shows bare it may show with the propeller, too, but what leaves low orders alone bare does so there.
    """
    odds: dict[Place, float] = {"nowhere": 0.0}
    for place in FAULTY[:-1]:
        odds[place] = some_show([w.like[place] for w in weighed.values()])
    odds["both"] = sum(w.two for w in weighed.values())
    if bare is not None:
        low = [w for name, w in weighed.items() if name not in APART]
        others = [w.like["motor"] for name, w in weighed.items() if name in APART]
        apart = bare.apart + (float(perhaps(log_mean(others), HALF)) if others else 0.0)
        odds["motor"] = float(np.logaddexp.reduce([bare.hidden, apart, bare.low + float(perhaps(odds["motor"], HALF))]))
        both = apart + some_show([w.like["propeller"] for w in low])
        odds["both"] = float(np.logaddexp(both, odds["both"] + bare.low))
    return odds


def _cautions(first: Swapped, second: Swapped, untouched: Sequence[Swapped], shaken: set[str]) -> tuple[str, ...]:
    found = [f"{WORDS[name]} changed on a rotor that nobody touched, and counts for less" for name in QUANTITIES if name in shaken]
    noted = dict.fromkeys(r.settings.setup for rotor in (first, second) for r in flat((*rotor.before, *rotor.after)))
    if len(noted) > 1:
        setups = listed([repr(setup) if setup else "none" for setup in noted])
        found.append(
            f"the set-ups as noted differ, {setups}, and levels are compared within one: where only the note was forgotten, add those "
            "recordings again with it"
        )
    if not first.past:
        found.append(
            f"{first.position} has no sound past: it is held against {second.position}, and good motors differ, so hardly any is blamed"
        )
    if first.refits < REFITS:
        told = f"propeller of {first.position} fitted {first.refits} of {REFITS} times"
        found.append(f"what refitting does was not measured ({told}): a change is believed only above what it does on the rig")
    fewer = [(rotor.position, len(flat(rotor.after))) for rotor in (first, second) if len(flat(rotor.after)) < REFITS]
    if fewer:
        told = listed([f"{position} {'once' if count == 1 else 'twice'}" for position, count in fewer])
        found.append(f"after the swap {told} was measured, and {REFITS} times was asked: each one more narrows the intervals")
    if not first.bare:
        found.append(f"{first.position} was not measured bare: a fault of the motor may hide behind its propeller")
    if any(map(cut_flat, flat(first.before))):
        found.append(f"recordings of {first.position} are cut flat: how loud they are is not known, only that they pass full scale")
    if not untouched:
        found.append("no rotor that nobody touched was measured both before and after: a change of the whole set-up would not show")
    return tuple(found)


def _next(answer: Answer, first: Swapped, second: Swapped) -> str:
    if answer == "refit":
        return "if something still sounds wrong, spin the motor by hand and record it bare: a bearing may hide behind the propeller's noise"
    if answer != "cannot tell":
        return ""
    if not first.past:
        return f"change the propeller of {first.position} for one known to be good: what stays is the motor's; measure it bare, too"
    if any(map(cut_flat, flat(first.before))):
        return LESS_GAIN
    few = min(len(side) for side in (first.before, first.after, second.before, second.after))
    if few < REFITS:
        return f"measure each side until there are {REFITS} readings of it, the propeller taken off and put back in between, and noted"
    if not first.bare:
        return f"measure {first.position} bare: what is left without a propeller is the motor's"
    return f"put a propeller that is known to be good on {first.position}, measure again and compare with what was measured here"


def _moved_by_itself(rotor: Swapped, repeatability: Repeatability) -> set[str]:
    pairs = pair_up(flat(rotor.after), flat(rotor.before))
    return {name for name in QUANTITIES if (moved := changed(name, pairs, repeatability)) is not None and abs(moved.z) >= NULL}
