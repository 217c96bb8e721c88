"""The before-and-after document gathered from the archive."""

from collections.abc import Sequence
from datetime import UTC, datetime

import vibekit
from vibekit.archive import Archive
from vibekit.casefile import open_case
from vibekit.craft import Craft
from vibekit.finding import Conclusion
from vibekit.gathering import action_note, pictures_of, rotor_notes
from vibekit.kept import KeptReading, PartAction, done_to
from vibekit.picture import Picture
from vibekit.proof import MotorProof, Pair, Proof, balancing_of
from vibekit.refit import RESEATED
from vibekit.report import Note
from vibekit.turning import BLADES, HANDS, POWER
from vibekit.visits import Visit, visit_at, visits_of


def proof_from_archive(
    archive: Archive, name: str, before: str, after: str, notes: Sequence[str] = (), photos: Sequence[Picture] = ()
) -> Proof:
    """Gather what the archive knows of a craft on two days: "2026-03-01", or "2026-03-01T14:30" where one day saw both.

    Of several visits on one day the first counts as before, the last as after.
    Raises UsageError for an unknown craft, for what is no date, and when no motor was measured both times.
    """
    craft = archive.craft(name)
    kept = archive.readings(name)
    newest = {position: diagnosis.conclusion for position, diagnosis in open_case(archive, name).judge().items()}
    motors, missing = [], []
    done = [action for action in archive.actions(name) if action.did != RESEATED]  # refitting to measure it parts no visit
    for position in dict.fromkeys([*craft.positions, *(k.position for k in kept)]):
        worked = done_to(done, position)
        visits = visits_of([k for k in kept if k.position == position], worked)
        first, last = visit_at(visits, before, first=True), visit_at(visits, after, first=False)
        if first is None or last is None or first.ended >= last.began:
            missing.append(f"{position}: {_lacking(first, last)}")
        else:
            ends = _said(first), _said(last) or (newest.get(position) if last is visits[-1] else None)
            motors.append(_motor(archive, craft, position, first, last, worked, ends))
    way = craft.way
    facts = (("craft", name), ("owner", craft.owner), ("job", craft.job), ("serial number", craft.serial), ("turned", way and way.title))
    setups = dict.fromkeys(text for motor in motors for pair in motor.pairs for text in pair.setups if text)
    return Proof(
        title=name,
        made_at=datetime.now(UTC),
        engine=vibekit.__version__,
        before=before,
        after=after,
        motors=tuple(motors),
        about=(*(Note(label, text) for label, text in facts if text), *(Note("measured with", text) for text in setups)),
        notes=tuple(notes),
        photos=tuple(photos),
        cautions=way.cautions if way else (*HANDS, *POWER, *BLADES),
        missing=tuple(missing),
    )


def _lacking(first: Visit | None, last: Visit | None) -> str:
    if first is None:
        return "no readings on the day before"
    return "no readings on the day after" if last is None else "one visit only: no work and no pause lies between its readings"


def _said(visit: Visit) -> Conclusion | None:
    """What was kept with the readings of a visit."""
    return next((k.diagnosis.conclusion for k in reversed(visit.kept) if k.diagnosis), None)


def _motor(
    archive: Archive,
    craft: Craft,
    position: str,
    first: Visit,
    last: Visit,
    worked: Sequence[PartAction],
    ends: tuple[Conclusion | None, Conclusion | None],
) -> MotorProof:
    name = craft.name or ""
    actions = [a for a in worked if first.ended < a.done_at <= last.began]
    jobs = [
        balance.job
        for balance in archive.balances(name, position)
        if any(first.began <= take.at <= last.ended for round_ in balance.job.whole for take in round_.takes)
    ]
    answers = [
        answer
        for check in archive.inspections(name)
        if first.began.date() <= check.at.date() <= last.ended.date()
        for answer in check.answers
        if answer.position == position
    ]
    return MotorProof(
        position,
        _pairs(first, last),
        ends=ends,
        done=tuple(action_note(action) for action in actions),
        about=rotor_notes(craft.rotor(position)) if position in craft.positions else (),
        balancings=tuple(balancing_of(job) for job in jobs),
        photos=tuple(pictures_of(answers, archive.photo)),
    )


def _pairs(first: Visit, last: Visit) -> tuple[Pair, ...]:
    """Readings of one kind in both visits."""

    def kinds(visit: Visit) -> dict[object, list[KeptReading]]:
        found: dict[object, list[KeptReading]] = {}
        for kept in visit.kept:
            if kept.reading.screening.usable and kept.reading.orders:
                found.setdefault((kept.settings.test, kept.settings.sensor, kept.reading.channels), []).append(kept)
        return found

    before, after = kinds(first), kinds(last)
    return tuple(
        Pair(tuple(k.reading for k in before[kind]), tuple(k.reading for k in after[kind]), (before[kind][-1].setup, after[kind][-1].setup))
        for kind in before
        if kind in after
    )
