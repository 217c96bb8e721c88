"""What the archive holds of a craft, sorted for a verdict: each motor's newest readings, its own sound past, what was seen and done."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from vibekit.agreement import unless_shared
from vibekit.archive import Archive
from vibekit.craft import Craft, feels_propeller
from vibekit.diagnosis import Hint, conclude_craft, diagnose
from vibekit.finding import Conclusion, Diagnosis
from vibekit.frame_evidence import frame_hints
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.inspection_evidence import InspectionEvidence, answers_as_evidence
from vibekit.kept import SOUND as SOUND
from vibekit.kept import KeptReading, PartAction
from vibekit.reading import Reading
from vibekit.repeatability import load_repeatability
from vibekit.settings import Test
from vibekit.shop import Shelf, Shop, spreads_of

VISIT = timedelta(hours=12)  # readings of one motor closer than this belong together, unless something was done to it in between
FRESH = ("replaced", "balanced", "swapped")  # what was measured before says nothing of the part that is there now
HOLDING = ("clip", "screws")


@dataclass(frozen=True, slots=True)
class MotorFile:
    """One motor of a craft.

    now: readings of the newest visit; past: earlier ones in which no fault was claimed, since a part was last changed
    actions: everything done to it, oldest first; answers: of the newest eye-and-hand check since; seen: what these say
    kept: all its readings, oldest first; shelves: what the archive holds of the same model on other craft, for each kind of `now`
    """

    position: str
    now: tuple[KeptReading, ...]
    past: tuple[KeptReading, ...]
    actions: tuple[PartAction, ...]
    answers: tuple[GivenAnswer, ...]
    seen: tuple[InspectionEvidence, ...]
    kept: tuple[KeptReading, ...] = ()
    shelves: tuple[Shelf, ...] = ()

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
    """A craft and its motors in running order."""

    craft: Craft
    motors: tuple[MotorFile, ...]

    def judge(self) -> dict[str, Diagnosis]:
        """Diagnose each motor that has readings or was looked at, against its own past, the others, and the same model on other craft.

        Any comparison may find a fault, and the surest is given; without a past the others are all there is. That motors are alike says
        nothing of what they share, so some motor must have been held against a past or against other craft before health is claimed.
        """
        every = {m.position: self._compared(m) for m in self.motors if m.now or m.seen}
        verdicts = {position: max(found, key=lambda d: _rank(d.conclusion)) for position, found in every.items()}
        anchored = any(d.conclusion.condition == "healthy" for _, *more in every.values() for d in more)
        return verdicts if anchored else unless_shared(verdicts)

    def conclude(self) -> Conclusion:
        """One conclusion for the craft. Raises UsageError when no motor has a reading or was looked at."""
        return conclude_craft(self.judge())

    def _compared(self, motor: MotorFile) -> list[Diagnosis]:
        """What each comparison says: beside the others, then against its own past and other craft, where there are any."""
        hints = [*(Hint(e.text, e.odds, e.decides) for e in motor.seen if e.strength), *frame_hints(motor.readings)]
        others = [r for m in self.motors if m.position != motor.position for r in m.readings]
        found = [diagnose(motor.readings, references=others, peers=True, hints=hints, position=motor.position)]
        if motor.past:
            found.append(diagnose(motor.readings, references=motor.references, hints=hints, position=motor.position))
        shelves = [shelf for shelf in motor.shelves if not shelf.refusal]
        if shelves:
            table = load_repeatability()
            for shelf in shelves:
                table = spreads_of(shelf, table)
            other = [r for shelf in shelves for r in shelf.references]
            found.append(diagnose(motor.readings, references=other, peers=True, hints=hints, position=motor.position, shop=table))
        return found


def _rank(end: Conclusion) -> tuple[int, float]:
    return {"undecided": 0, "healthy": 1}.get(end.condition, 2), end.probability


def open_case(archive: Archive, name: str) -> CaseFile:
    """Sort what is kept of the craft `name`. Raises UsageError when there is none of that name."""
    craft = archive.craft(name)
    kept, checks = archive.readings(name), archive.inspections(name)
    shop = Shop(archive, craft)
    motors = []
    for position in dict.fromkeys([*craft.positions, *(k.position for k in kept)]):
        actions = tuple(archive.actions(name, position))
        own = tuple(sorted((k for k in kept if k.position == position), key=lambda k: k.when))
        now, past = _visits(own, actions)
        check = _newest([c for c in checks if not actions or c.at >= actions[-1].done_at])
        answers = tuple(a for a in check.answers if a.position == position) if check else ()
        seen = tuple(e for e in answers_as_evidence(check) if e.position == position) if check else ()
        kinds = {(k.settings.test, k.setup): k for k in now if k.reading.screening.usable}
        shelves = tuple(shop.shelf(position, k) for k in kinds.values()) if position in craft.positions else ()
        motors.append(MotorFile(position, now, past, actions, answers, seen, own, shelves))
    return CaseFile(craft, tuple(motors))


def _newest(checks: Sequence[Inspection]) -> Inspection | None:
    return max(checks, key=lambda c: c.at, default=None)


def _visits(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[tuple[KeptReading, ...], tuple[KeptReading, ...]]:
    """(newest visit, sound past) of readings in order of time."""
    if not kept:
        return (), ()
    newest = kept[-1].when
    began = max([newest - VISIT, *(a.done_at for a in actions if a.done_at <= newest)])
    fresh = {test: since_change(actions, test, newest) for test in {k.settings.test for k in kept}}
    past = [k for k in kept if k.when < began and ((since := fresh[k.settings.test]) is None or k.when >= since)]
    return tuple(k for k in kept if k.when >= began), tuple(k for k in past if k.sound)


def since_change(actions: Sequence[PartAction], test: Test | None, until: datetime) -> datetime | None:
    """When a part that this test feels was last changed; a propeller is not felt bare, and clip and screws only hold. None: never."""
    felt = [a for a in actions if a.did in FRESH and a.part not in HOLDING and (a.part != "propeller" or feels_propeller(test))]
    return max((a.done_at for a in felt if a.done_at <= until), default=None)
