"""What the archive holds of a craft, sorted for a verdict: each motor's newest readings, its own sound past, what was seen and done."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from vibekit.agreement import unless_shared
from vibekit.archive import Archive
from vibekit.craft import Craft
from vibekit.craft_verdict import AGAIN, CraftVerdict, craft_verdict
from vibekit.diagnosis import Hint, conclude_craft, diagnose
from vibekit.finding import Conclusion, Diagnosis
from vibekit.frame_evidence import frame_hints
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.inspection_evidence import InspectionEvidence, answers_as_evidence
from vibekit.kept import FRESH, PARTS, VISIT, KeptReading, PartAction, done_to
from vibekit.moment import day
from vibekit.next_measurement import BENCH, Reach
from vibekit.reading import Reading
from vibekit.refit import RESEATED, RefitStudy, learned
from vibekit.refit_gathering import refit_studies
from vibekit.repeatability import Repeatability, load_repeatability
from vibekit.settings import TESTS, Test, feels_propeller
from vibekit.shop import Shelf, Shop, spreads_of
from vibekit.spin_evidence import FELT, spin_hints
from vibekit.swap_gathering import ToldSwap, swaps_of
from vibekit.swap_hint import swap_hints
from vibekit.wording import conclusion_words, likelihood, listed, sentence

REFIT_FIRST = "What refitting its propeller does by itself was not measured here: take it off and on three times (`vibekit refit`)."
HOLDING = ("clip", "screws")
WORK = {  # part of the catalogue: work on which parts may have mended it
    "propeller": ("propeller",),
    "propeller fixing": ("propeller", "shaft", *HOLDING),
    "bearing": ("bearings", "motor", "bell", "shaft"),
    "shaft": ("shaft", "motor", "bell", "bearings"),
    "motor bell": ("bell", "motor", "shaft", "bearings", *HOLDING),
    "bell or duct": ("bell", "motor", "shaft", "bearings", "mount", *HOLDING),
    "motor mount": ("mount", "motor", *HOLDING),
    "frame": ("mount", "motor", *HOLDING),
    "wiring or controller": ("wiring", "controller", "motor"),
}


@dataclass(frozen=True, slots=True)
class MotorFile:
    """One motor of a craft.

    now: readings of the newest visit; past: earlier ones in which no fault was claimed, since a part was last changed
    actions: everything done to it, oldest first; answers: of the newest eye-and-hand check since; seen: what these say
    kept: all its readings, oldest first; shelves: what the archive holds of the same model on other craft, for each kind of `now`
    refits: what refitting its propeller does, of each visit in which it was measured
    """

    position: str
    now: tuple[KeptReading, ...]
    past: tuple[KeptReading, ...]
    actions: tuple[PartAction, ...]
    answers: tuple[GivenAnswer, ...]
    seen: tuple[InspectionEvidence, ...]
    kept: tuple[KeptReading, ...] = ()
    shelves: tuple[Shelf, ...] = ()
    refits: tuple[RefitStudy, ...] = ()

    @property
    def readings(self) -> tuple[Reading, ...]:
        """Readings of the newest visit."""
        return tuple(k.comparable for k in self.now)

    @property
    def references(self) -> tuple[Reading, ...]:
        """Readings of its own sound past."""
        return tuple(k.comparable for k in self.past)


@dataclass(frozen=True, slots=True)
class CaseFile:
    """A craft and its motors in running order. swaps: of two propellers, with what they say"""

    craft: Craft
    motors: tuple[MotorFile, ...]
    swaps: tuple[ToldSwap, ...] = ()

    def judge(self) -> dict[str, Diagnosis]:
        """Diagnose each motor that has readings or was looked at, against its own past, the others, and the same model on other craft.

        Any comparison may find a fault, and the surest is given; without a past the others are all there is. That motors are alike says
        nothing of what they share, so some motor must have been held against a past or against other craft before health is claimed.
        A swap of propellers joins where it is surer than the readings by themselves.
        """
        drags = spin_hints({m.position: m.readings for m in self.motors})
        every = {m.position: self._compared(m, drags) for m in self.motors if m.now or m.seen}
        verdicts = {position: max(found, key=lambda d: _rank(d.conclusion)) for position, found in every.items()}
        for motor in self.motors:
            if motor.position in verdicts and (told := swap_hints(motor.position, verdicts[motor.position], self.swaps, motor.actions)):
                every[motor.position] = self._compared(motor, drags, told)
                verdicts[motor.position] = max(every[motor.position], key=lambda d: _rank(d.conclusion))
        if not any(d.conclusion.condition == "healthy" for _, *more in every.values() for d in more):
            verdicts = unless_shared(verdicts)
        return {m.position: _unless_worked_on(m, self._with_refit(verdicts[m.position])) for m in self.motors if m.position in verdicts}

    def conclude(self) -> Conclusion:
        """One conclusion for the craft. Raises UsageError when no motor has a reading or was looked at."""
        return conclude_craft(self.judge())

    def verdict(self, motors: Mapping[str, Diagnosis]) -> CraftVerdict:
        """The verdict of the craft from what `judge` gave: what to do first, what else is suspect, what was not tested."""
        readings = {m.position: m.readings for m in self.motors}
        return craft_verdict(motors, readings, [m.position for m in self.motors if m.answers], self._can(TESTS))

    def _compared(self, motor: MotorFile, drags: Mapping[str, Hint], told: Sequence[Hint] = ()) -> list[Diagnosis]:
        """What each comparison says: beside the others, then against its own past and other craft, where there are any.

        drags: of motors spun by hand, see `spin_hints`; unheeded where a hand felt the same and was asked; told: by a swap
        """
        felt = any(e.question == FELT and e.for_conditions for e in motor.seen)
        drag = () if felt or motor.position not in drags else (drags[motor.position],)
        seen = (Hint(e.text, e.odds, e.decides) for e in motor.seen if e.strength)
        hints = (*seen, *frame_hints(motor.readings), *drag, *told)
        others = [r for m in self.motors if m.position != motor.position for r in m.readings]
        swapped = any(motor.position in (s.file.first.position, s.file.second.position) for s in self.swaps)
        reach = Reach(self._can(BENCH), [a.question for a in motor.answers], swapped)
        table = learned(load_repeatability(), [s for m in self.motors if m.position != motor.position for s in m.refits])

        def against(references: Sequence[Reading], *, peers: bool, shop: Repeatability | None = None) -> Diagnosis:
            return diagnose(
                motor.readings, references=references, peers=peers, shop=shop, repeatability=table, hints=hints, position=motor.position,
                reach=reach,
            )  # fmt: skip

        found = [against(others, peers=True)]
        if motor.past:
            found.append(against(motor.references, peers=False))
        shelves = [shelf for shelf in motor.shelves if not shelf.refusal]
        if shelves:
            spreads = table
            for shelf in shelves:
                spreads = spreads_of(shelf, spreads)
            found.append(against([r for shelf in shelves for r in shelf.references], peers=True, shop=spreads))
        return found

    def _can(self, tests: Sequence[str]) -> tuple[str, ...]:
        """Of these kinds of test those that the craft's way of turning allows."""
        way = self.craft.way
        return tuple(t for t in tests if way is None or any(step.test == t for step in way.plan))

    def _with_refit(self, diagnosis: Diagnosis) -> Diagnosis:
        """Say of a propeller's verdict that what refitting does was not measured, where it was not, and ask for that first."""
        end = diagnosis.conclusion
        if end.condition != "prop-imbalance" or self.swaps or any(study.done for m in self.motors for study in m.refits):
            return diagnosis
        end = replace(end, reason=f"{end.reason} {REFIT_FIRST}".strip(), next_step=f"{REFIT_FIRST} {end.next_step}".strip())
        return replace(diagnosis, conclusion=end)


def _unless_worked_on(motor: MotorFile, diagnosis: Diagnosis) -> Diagnosis:
    """Take back what was concluded of a part that was worked on after the newest reading, and ask for another one."""
    since = [a for a in motor.actions if motor.now and a.did != RESEATED and a.done_at > motor.now[-1].when]
    if not since:
        return diagnosis
    end = diagnosis.conclusion
    done = listed([f"{a.part} {a.did} on {day(a.done_at)}" for a in since])
    end = replace(end, next_step=f"Measure it again in the same way: {done}, and nothing was measured since.", next_measurement=AGAIN)
    if end.condition == "healthy":
        spoken_of = any(a.did in FRESH for a in since)
    else:
        spoken_of = any(a.part in WORK.get(end.part, PARTS) for a in since)
    if end.condition == "undecided" or not spoken_of:
        return replace(diagnosis, conclusion=end)
    was = f"Before that: {conclusion_words(end)}, {likelihood(end.probability)}. {sentence(done)}: what is there now was not measured."
    end = replace(end, condition="undecided", probability=0.0, part="none", action="measure again", also=(), reason=was)
    return replace(diagnosis, conclusion=end)


def _rank(end: Conclusion) -> tuple[int, float]:
    return {"undecided": 0, "healthy": 1}.get(end.condition, 2), end.probability


def open_case(archive: Archive, name: str) -> CaseFile:
    """Sort what is kept of the craft `name`. Raises UsageError when there is none of that name."""
    craft = archive.craft(name)
    kept, checks = archive.readings(name), archive.inspections(name)
    shop, every = Shop(archive, craft), archive.actions(name)
    motors = []
    for position in dict.fromkeys([*craft.positions, *(k.position for k in kept)]):
        actions = done_to(every, position)
        own = tuple(sorted((k for k in kept if k.position == position), key=lambda k: k.when))
        now, past = _visits(own, actions)
        done = [a for a in actions if a.did != RESEATED]
        check = _newest([c for c in checks if not done or c.at >= done[-1].done_at])
        answers = tuple(a for a in check.answers if a.position == position) if check else ()
        seen = tuple(e for e in answers_as_evidence(check) if e.position == position) if check else ()
        kinds = {(k.settings.test, k.setup): k for k in now if k.reading.screening.usable}
        shelves = tuple(shop.shelf(position, k) for k in kinds.values()) if position in craft.positions else ()
        motors.append(MotorFile(position, now, past, actions, answers, seen, own, shelves, refit_studies(own, actions, position)))
    return CaseFile(craft, tuple(motors), swaps_of(archive, name))


def _newest(checks: Sequence[Inspection]) -> Inspection | None:
    return max(checks, key=lambda c: c.at, default=None)


def _visits(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[tuple[KeptReading, ...], tuple[KeptReading, ...]]:
    """(newest visit, sound past) of readings in order of time."""
    if not kept:
        return (), ()
    newest = kept[-1].when
    began = max([newest - VISIT, *(a.done_at for a in actions if a.done_at <= newest and a.did != RESEATED)])
    fresh = {test: since_change(actions, test, newest) for test in {k.settings.test for k in kept}}
    past = [k for k in kept if k.when < began and ((since := fresh[k.settings.test]) is None or k.when >= since)]
    return tuple(k for k in kept if k.when >= began), tuple(k for k in past if k.sound)


def since_change(actions: Sequence[PartAction], test: Test | None, until: datetime) -> datetime | None:
    """When a part that this test feels was last changed; a propeller is not felt bare, and clip and screws only hold. None: never."""
    felt = [a for a in actions if a.did in FRESH and a.part not in HOLDING and (a.part != "propeller" or feels_propeller(test))]
    return max((a.done_at for a in felt if a.done_at <= until), default=None)
