"""The swap test: the propellers of two rotors change places; does the fault go with the propeller, or stay with the motor?"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from vibekit.bare_and_propeller import Place, motor_evidence, weigh_places
from vibekit.change import change
from vibekit.finding import Evidence
from vibekit.observation import CLEAR, COMBS, SCORES, WORDS, Observation, observe
from vibekit.reading import Reading
from vibekit.refit import REFITS, Fittings
from vibekit.repeatability import Repeatability
from vibekit.swap_evidence import FAULTY, QUANTITIES, Moved, weigh, weigh_bare

Answer = Literal["propeller", "motor", "both", "refit", "cannot tell"]

ANSWERS: dict[Answer, str] = {
    "propeller": "the fault went with the propeller",
    "motor": "the fault stayed with the motor",
    "both": "something went with the propeller and something stayed with the motor",
    "refit": "no fault that stands above what refitting does",
    "cannot tell": "cannot be told from these readings",
}
SURE = 0.60  # probability from which a fault is placed
SOUND = 0.85  # the same of none: said only when little else is left
STRUCK = ("roughness", "wash", "impulsiveness", "once a turn")  # what a bearing that strikes raises, with a propeller, too
# weighed by their numbers, too, where the motor's past is known
BARE = ("1x", "2x", "electrical lines", "comb", "roughness", "impulsiveness", "once a turn")
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

    odds: natural log of how likely the changes at the swap are, given what was there before, for a fault at each place against none
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

    Where the fault may be follows from the readings before the swap and bare, as often as the rig gives them under each condition
    (`vibekit.bare_and_propeller`), times how likely the change at the swap then is (`vibekit.swap_evidence`). Good propellers and
    motors differ, too; by how much is not known well, so without a sound past only two things are told: that a fault went with the
    propeller, and what is heard of a bare motor.
    """
    shaken = {name for rotor in untouched for name in QUANTITIES if _moved_by_itself(rotor, name, repeatability)}
    sides = (first.before, first.after, second.before, second.after, first.past)
    weighed = [w for name in QUANTITIES if name not in shaken and (w := weigh(name, *sides, repeatability))]
    seen = _observed(first, second, untouched, repeatability)
    cautions = _cautions(first, second, untouched, shaken)
    before = weigh_places(seen)
    rest = weigh_places([o for o in seen if o.test != "bare" or o.name not in BARE])
    counted = before["motor"] - before["nowhere"] - rest["motor"] + rest["nowhere"]
    shows = float(np.logaddexp.reduce([weigh_bare(name, first.bare, first.past_bare, repeatability) for name in BARE]))
    more = max(shows - math.log(len(BARE)) - max(counted, 0.0), 0.0)
    before["motor"] += more
    before["both"] += more
    odds = {place: sum(w.after[place] for w in weighed) for place in before}
    logs = {place: before[place] + odds[place] for place in before}
    total = float(np.logaddexp.reduce(list(logs.values())))
    chance = {place: math.exp(log - total) for place, log in logs.items()}
    probabilities: dict[Answer, float] = {
        "propeller": chance["propeller"],
        "motor": chance["motor"],
        "both": chance["both"],
        "refit": chance["nowhere"] + chance["seat"],
    }
    best = max(probabilities, key=lambda a: probabilities[a])
    bare = motor_evidence(seen)
    known = first.past or best == "propeller" or (best == "motor" and any(e.weight >= HEARD for e in bare))
    told = weighed and known and probabilities[best] >= (SOUND if best == "refit" else SURE)
    answer: Answer = best if told else "cannot tell"
    place = max(FAULTY, key=lambda p: chance[p])
    moved = [replace(m, weight=like[place]) for w in weighed for m, like in w.moved]
    return SwapResult(
        answer, probabilities, tuple(sorted(moved, key=lambda m: -m.weight)), bare, odds, first.refits, cautions,
        _next(answer, first, second) if weighed else "measure both rotors before and after, same test, sensor, set-up and speed",
    )  # fmt: skip


def _observed(first: Swapped, second: Swapped, untouched: Sequence[Swapped], repeatability: Repeatability) -> tuple[Observation, ...]:
    """Clues of the first rotor before the swap and bare; without its past, with its propeller against the other rotors.

    Pulses of its bearing do not hide what its propeller does.
    """
    before, own = _flat(first.before), bool(first.past or first.past_bare)
    bare = [o for o in observe(first.bare, first.past_bare, repeatability) if own or o.name in SCORES]
    others = _flat(first.past) if own else [r for rotor in (second, *untouched) for r in _flat(rotor.before)]
    silent = [replace(r, quantities=tuple(q for q in r.quantities if q.name not in COMBS)) for r in before]
    lines = observe(silent, others, repeatability, peers=not own)
    pulses = [o for o in observe(before, (), repeatability) if o.name in COMBS]
    struck = any(o.value >= CLEAR for o in (*bare, *pulses) if o.name in COMBS)
    return (*(o for o in lines if not (struck and o.name in STRUCK)), *pulses, *bare)


def _flat(fittings: Fittings) -> list[Reading]:
    return [r for fitting in fittings for r in fitting]


def _cautions(first: Swapped, second: Swapped, untouched: Sequence[Swapped], shaken: set[str]) -> tuple[str, ...]:
    found = [f"{WORDS[name]} changed on a rotor that nobody touched, and is left out" for name in QUANTITIES if name in shaken]
    if not first.past:
        found.append(
            f"{first.position} has no sound past: it is held against {second.position}, and good motors differ, so hardly any is blamed"
        )
    if first.refits < REFITS:
        told = f"propeller of {first.position} fitted {first.refits} of {REFITS} times"
        found.append(f"what refitting does was not measured ({told}): a change is believed only above what it does on the rig")
    if not first.bare:
        found.append(f"{first.position} was not measured bare: a fault of the motor may hide behind its propeller")
    if not untouched:
        found.append("no untouched rotor was measured on either side: a change of the whole set-up would not show")
    return tuple(found)


def _next(answer: Answer, first: Swapped, second: Swapped) -> str:
    if answer == "refit":
        return "if something still sounds wrong, spin the motor by hand and record it bare: a bearing may hide behind the propeller's noise"
    if answer != "cannot tell":
        return ""
    if not first.past:
        return f"change the propeller of {first.position} for one known to be good: what stays is the motor's; measure it bare, too"
    few = min(len(side) for side in (first.before, first.after, second.before, second.after))
    if few < REFITS:
        return f"measure each side until there are {REFITS} readings of it, the propeller taken off and put back in between, and noted"
    if not first.bare:
        return f"measure {first.position} bare: what is left without a propeller is the motor's"
    return f"put a propeller that is known to be good on {first.position}, measure again and compare with what was measured here"


def _moved_by_itself(rotor: Swapped, name: str, repeatability: Repeatability) -> bool:
    if not rotor.before or not rotor.after:
        return False
    moved = change(name, _flat(rotor.after), _flat(rotor.before), repeatability)
    return moved is not None and abs(moved.z) >= NULL
