"""What a report holds, gathered: from the archive, or from recordings just judged."""

from collections.abc import Callable, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from pathlib import Path

import vibekit
from vibekit.archive import Archive
from vibekit.craft import Craft, Rotor, missing
from vibekit.diagnosis import Hint, diagnose
from vibekit.finding import Diagnosis
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.inspection_evidence import answers_as_evidence
from vibekit.kept import KeptReading, PartAction
from vibekit.picture import Picture, read_picture
from vibekit.questions import question_of
from vibekit.reading import Reading
from vibekit.report import MotorPage, Note, ReportContents
from vibekit.turning import BLADES, HANDS, POWER
from vibekit.wording import not_recorded, sentence

VISIT = timedelta(hours=12)  # recordings of one motor nearer together than this are judged together
FRESH = ("replaced", "balanced", "swapped")  # what was measured before says nothing of the part that is there now


def contents_from_archive(archive: Archive, name: str) -> ReportContents:
    """Gather everything the archive knows of a craft and judge each motor by its latest visit, eye, hand and bench included.

    A motor is compared with its own past where it was well and has had no new part since, else with the other motors.
    Raises UsageError for a craft that the archive does not know or of which it keeps no reading.
    """
    craft = archive.craft(name)
    kept, actions = archive.readings(name), archive.actions(name)
    positions = craft.positions or tuple(dict.fromkeys(k.position for k in kept))
    visits = {p: _visit([k for k in kept if k.position == p], [a for a in actions if a.position == p]) for p in positions}
    checks = archive.inspections(name)
    pages = []
    for position in positions:
        now, past = visits[position]
        others = [k.reading for other in positions if other != position for k in visits[other][0]]
        mine = [a for a in actions if a.position == position]
        check = next((c for c in reversed(checks) if not mine or c.at >= mine[-1].done_at), None)
        references = [k.reading for k in past] or others
        hints = _hints(check, position)
        diagnosis = diagnose([k.reading for k in now], references=references, peers=not past, hints=hints, position=position)
        answers = [answer for answer in check.answers if answer.position == position] if check else []
        pages.append(
            MotorPage(
                position,
                tuple(k.reading for k in now),
                tuple(k.reading for k in past),
                diagnosis if now or hints else None,
                about=_rotor(craft.rotor(position)) if craft.rotors else (),
                inspection=tuple(_answer(answer) for answer in answers),
                parts=tuple(_action(action) for action in mine),
                photos=tuple(_pictures(answers, archive.photo)),
            )
        )
    setups = tuple(dict.fromkeys(k.setup for now, _ in visits.values() for k in now if k.setup))
    return _contents(craft, pages, tuple(Note("measured with", setup) for setup in setups))


def contents_from_files(
    title: str, judged: Sequence[tuple[str, Sequence[Reading], Diagnosis]], baselines: Sequence[Reading] = ()
) -> ReportContents:
    """Gather recordings that are in no archive. judged: (name of the motor, its readings, its diagnosis), in running order."""
    pages = [MotorPage(position, tuple(readings), tuple(baselines), diagnosis) for position, readings, diagnosis in judged]
    return _contents(Craft(name=title), pages)


def _contents(craft: Craft, pages: Sequence[MotorPage], setups: tuple[Note, ...] = ()) -> ReportContents:
    way = craft.way
    facts = (("owner", craft.owner), ("job", craft.job), ("serial number", craft.serial), ("turned", way.title if way else None))
    done = [r.settings.test for page in pages for r in page.readings if r.screening.usable]
    return ReportContents(
        title=craft.name or "Craft without a name",
        made_at=datetime.now(UTC),
        motors=tuple(pages),
        engine=vibekit.__version__,
        about=(*(Note(label, text) for label, text in facts if text), *setups),
        cautions=way.cautions if way else (*HANDS, *POWER, *BLADES),
        not_tested=(*not_recorded(done), *(() if "flight" in done else ("flight",)), *(way.limits if way else ())),
        left_open=missing(craft) if craft.rotors else (),
    )


def _visit(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[list[KeptReading], list[KeptReading]]:
    """The latest visit of a motor, and its past that may serve as baseline."""
    if not kept:
        return [], []
    by_time = sorted(kept, key=lambda k: k.when)
    touched = max((a.done_at for a in actions), default=None)
    last = by_time[-1].when
    now = [k for k in by_time if last - k.when <= VISIT and (touched is None or k.when >= touched or last < touched)]
    fresh = max((a.done_at for a in actions if a.did in FRESH), default=None)
    well = [k for k in by_time if k.diagnosis is not None and k.diagnosis.conclusion.condition == "healthy"]
    return now, [k for k in well if k not in now and (fresh is None or k.when >= fresh)]


def _hints(check: Inspection | None, position: str) -> list[Hint]:
    return [] if check is None else [Hint(e.text, e.odds) for e in answers_as_evidence(check) if e.position == position]


def _answer(answer: GivenAnswer) -> Note:
    question = question_of(answer.question)
    text = question.choice(answer.answer).text if question.choices else answer.answer
    return Note(question.text, f"{sentence(text)}. {answer.note}".strip())


def _pictures(answers: Sequence[GivenAnswer], find: Callable[[str], Path]) -> list[Picture]:
    return [read_picture(find(photo.sha256), answer.note or _answer(answer).text) for answer in answers for photo in answer.photos]


def _action(action: PartAction) -> Note:
    fitted = f": {action.fitted}" if action.fitted else ""
    return Note(f"{action.done_at:%Y-%m-%d}", f"{action.part} {action.did}{fitted}. {action.note}".strip())


def _rotor(rotor: Rotor) -> tuple[Note, ...]:
    bearings = [" ".join(_facts(bearing)) for bearing in rotor.motor.bearings]
    described = (
        ("turns", rotor.hand or ""),
        ("shares its arm with", rotor.coaxial_with or ""),
        ("motor", ", ".join(_facts(rotor.motor))),
        ("bearings", "; ".join(bearings)),
        ("propeller", ", ".join(_facts(rotor.propeller))),
    )
    return tuple(Note(label, text) for label, text in described if text)


def _facts(described: object) -> list[str]:
    """What is known of a part, entry by entry: "blades 2", "mass 4.1 g"."""
    found = []
    for entry in fields(described):  # type: ignore[arg-type]
        value = getattr(described, entry.name)
        name, _, unit = entry.name.partition("_")
        if value is True:
            found.append(entry.name.replace("_", " "))
        elif isinstance(value, str):
            found.append(value if name in ("name", "kind", "size") else f"{name} {value}")
        elif isinstance(value, int | float) and not isinstance(value, bool):
            found.append(f"{name} {value:g} {unit}".strip())
    return found
