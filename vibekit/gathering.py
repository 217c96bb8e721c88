"""What a report holds, gathered: from the archive, or from recordings just judged."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import vibekit
from vibekit.archive import Archive
from vibekit.casefile import open_case
from vibekit.comparison import compare_case, table_rows
from vibekit.craft import Craft, Rotor, missing
from vibekit.finding import Diagnosis
from vibekit.inspection import GivenAnswer
from vibekit.kept import PartAction
from vibekit.moment import day
from vibekit.picture import Picture, read_picture
from vibekit.propeller_or_motor import propeller_or_motor
from vibekit.questions import question_of
from vibekit.reading import Reading
from vibekit.report import MotorPage, Note, ReportContents
from vibekit.turning import BLADES, HANDS, POWER
from vibekit.wording import not_recorded, sentence


def contents_from_archive(archive: Archive, name: str) -> ReportContents:
    """Gather everything the archive knows of a craft, and judge each motor as `vibekit compare` does.

    Raises UsageError for a craft that the archive does not know.
    """
    case = open_case(archive, name)
    verdicts = case.judge()
    told = propeller_or_motor(case)
    rotors = {rotor.position: rotor for rotor in case.craft.rotors}
    pages = [
        MotorPage(
            motor.position,
            motor.readings,
            motor.references,
            verdicts.get(motor.position),
            about=rotor_notes(rotors[motor.position]) if motor.position in rotors else (),
            inspection=tuple(_answer(answer) for answer in motor.answers),
            parts=tuple(action_note(action) for action in motor.actions),
            photos=tuple(pictures_of(motor.answers, archive.photo)),
            propeller_or_motor=tuple(told.about(motor.position)),
        )
        for motor in case.motors
    ]
    setups = dict.fromkeys(kept.setup for motor in case.motors for kept in motor.now if kept.setup)
    rows = table_rows(compare_case(case), {position: verdict.conclusion for position, verdict in verdicts.items()})
    return replace(_contents(case.craft, pages, tuple(Note("measured with", setup) for setup in setups)), comparison=tuple(rows))


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


def _answer(answer: GivenAnswer) -> Note:
    question = question_of(answer.question)
    text = question.choice(answer.answer).text if question.choices else answer.answer
    return Note(question.text, f"{sentence(text)}. {answer.note}".strip())


def pictures_of(answers: Sequence[GivenAnswer], find: Callable[[str], Path]) -> Iterator[Picture]:
    """Give the photos that go with answers."""
    for answer in answers:
        for photo in answer.photos:
            yield read_picture(find(photo.sha256), _answer(answer).text)


def action_note(action: PartAction) -> Note:
    """Say what was done to a part, by day."""
    fitted = f"{' with ' if action.did == 'swapped' else ': '}{action.fitted}" if action.fitted else ""
    return Note(day(action.done_at), f"{action.part} {action.did}{fitted}. {action.note}".strip())


def rotor_notes(rotor: Rotor) -> tuple[Note, ...]:
    """Say what is known of a rotor's parts."""
    bearings = [", ".join(_facts(bearing)) for bearing in rotor.motor.bearings]
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
