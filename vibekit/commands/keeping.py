"""One recording read, analysed, kept, and judged with all that the archive knows of its craft."""

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from pathlib import Path

from vibekit.capture.reader import Reader
from vibekit.craft import Craft, settings_for
from vibekit.craft_verdict import CraftVerdict
from vibekit.finding import Diagnosis
from vibekit.kept import NewReading
from vibekit.packing import pack
from vibekit.reading import Reading
from vibekit.settings import Settings


@dataclass(frozen=True, slots=True)
class Judged:
    """A reading, what it says together with what is known of its motor, and its id in the archive, None when it was not kept.

    verdict: of the motor with all that its visit measured, None where nothing else is known
    """

    reading: Reading
    diagnosis: Diagnosis
    id: str | None = None
    verdict: CraftVerdict | None = None


@dataclass(frozen=True, slots=True)
class Shelf:
    """Where recordings of a craft go.

    description: its TOML text, None when the archive has it; setup: sensor, its place and fixing, in the owner's words
    """

    craft: Craft
    description: str | None
    setup: str = ""


def completed(given: Settings, craft: Craft, position: str) -> Settings:
    """Give what was stated, completed by the craft's description."""
    stated = {field.name: getattr(given, field.name) for field in fields(Settings) if getattr(given, field.name) not in (None, ())}
    return replace(settings_for(craft, position, given.test), **stated)


def add_words(path: Path, about: Mapping[str, str]) -> str:
    """What to type to judge and keep a take. about: craft, position, test and set-up, as far as they are known."""
    words = ["vibekit", "add", about.get("craft") or "CRAFT", about.get("position") or "POSITION", str(path)]
    words += ["--test", about.get("test") or "TEST"] + (["--setup", about["setup"]] if about.get("setup") else [])
    return shlex.join(words)


def judge_file(path: Path, given: Settings, reader: Reader) -> Judged:
    """Judge a recording by itself. Raises UnreadableError, UsageError."""
    from vibekit.analysis import analyze
    from vibekit.judging import judge_motor

    reading = analyze(reader.read(path), given)
    return Judged(reading, judge_motor([reading]).together)


def keep_file(path: Path, position: str, given: Settings, reader: Reader, shelf: Shelf, *, instead_of: Sequence[str] = ()) -> Judged:
    """Keep a recording that can be judged, and judge its motor.

    instead_of: ids of readings that it holds whole; they are taken back, their recordings stay
    Raises UnreadableError, UsageError.
    """
    from vibekit.analysis import analyze
    from vibekit.archive import Archive
    from vibekit.casefile import open_case
    from vibekit.judging import judge_motor
    from vibekit.place import find_place
    from vibekit.verdict_keeping import add_readings

    craft = shelf.craft
    recording = reader.read(path)
    reading = analyze(recording, completed(given, craft, position))
    if not reading.screening.usable:
        return Judged(reading, judge_motor([reading], position=position).together)
    start = recording.start.astimezone() if recording.start else None
    with Archive(find_place()) as archive:
        if shelf.description is not None:
            archive.put_craft(shelf.description, craft)
        (id,) = add_readings(archive, craft, [NewReading(position, path, reading, shelf.setup, pack(reader), start)])
        archive.take_back(instead_of)
        case = open_case(archive, craft.name or "")
        diagnosis = case.judge()[position]
        return Judged(reading, diagnosis, id, case.verdict({position: diagnosis}))
