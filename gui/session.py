"""What the window is about: an archive, a craft, a rotor, and what was changed in it. No Qt: tests drive it, views show it."""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from vibekit import marks
from vibekit.archive import Archive
from vibekit.balance_bench import BalanceBench
from vibekit.balance_job import BalanceJob
from vibekit.capture.reader import Reader
from vibekit.casefile import CaseFile, MotorFile, open_case
from vibekit.comparison import Comparison, compare_case, comparison_json
from vibekit.craft import Craft, settings_for
from vibekit.craft_file import craft_text, load_craft, read_text
from vibekit.craft_verdict import CraftVerdict
from vibekit.diagnosis import conclude_craft
from vibekit.drawings import Group, Member, groups_of
from vibekit.errors import UsageError
from vibekit.finding import Conclusion, Diagnosis
from vibekit.gui.steps import Step, quietly
from vibekit.gui.swap_test import SwapTest, swap_test
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.kept import CraftSummary, KeptReading, NewReading, PartAction
from vibekit.numbers_csv import numbers_csv
from vibekit.packing import pack
from vibekit.place import Place
from vibekit.propeller_or_motor import PropellerOrMotor, propeller_json, propeller_or_motor
from vibekit.recording import Sensor
from vibekit.result import craft_json, verdict_json
from vibekit.settings import Settings, Test
from vibekit.verdict_keeping import add_action, add_readings


@dataclass(frozen=True, slots=True)
class Bench:
    """Everything the archive knows of one craft, gathered and judged.

    verdicts: diagnosis of each position that has readings or was looked at; groups: readings of one test beside each other
    parts: what swaps, bare readings and refits say
    """

    name: str
    case: CaseFile
    verdicts: dict[str, Diagnosis]
    groups: tuple[Group, ...]
    parts: PropellerOrMotor

    @property
    def craft(self) -> Craft:
        """The craft as it is described."""
        return self.case.craft

    @property
    def positions(self) -> tuple[str, ...]:
        """Names of the rotors, in running order."""
        return tuple(motor.position for motor in self.case.motors)

    @property
    def whole(self) -> CraftVerdict | None:
        """The one conclusion for the craft, None when no motor was judged."""
        return self.case.verdict(self.verdicts) if self.verdicts else None

    def swapped(self, position: str) -> tuple[str, str] | None:
        """The pair of the swap test in which a rotor took part, the suspect first; None where none was judged."""
        pairs = [(told.file.first.position, told.file.second.position) for told in self.parts.swaps]
        return next((pair for pair in pairs if position in pair), None)

    def motor(self, position: str) -> MotorFile:
        """Give the file of one motor. Raises UsageError."""
        found = next((motor for motor in self.case.motors if motor.position == position), None)
        if found is None:
            raise UsageError(f"position is {position!r}; {self.name} has {', '.join(self.positions)}")
        return found

    def conclusion(self, position: str) -> Conclusion | None:
        """What is said of one motor, None when there is nothing to judge by."""
        verdict = self.verdicts.get(position)
        return verdict.conclusion if verdict else None

    def state(self, position: str) -> marks.State:
        """How one motor stands."""
        return marks.state_of(self.conclusion(position))

    def member(self, group: Group, position: str) -> Member | None:
        """The motor's reading in a group, None when it has none there."""
        return next((member for member in group.members if member.position == position), None)


@dataclass(frozen=True, slots=True)
class Stated:
    """What the user states about recordings of one rotor before they are analysed."""

    position: str
    test: Test | None = None
    speed_rpm: float | None = None
    sensor: Sensor | None = None
    setup: str = ""
    reader: Reader = field(default_factory=Reader)


@dataclass(frozen=True, slots=True)
class BeforeBalance:
    """A balancing job as it stood. ids: of the readings and the work that were kept of its rotor."""

    job: BalanceJob
    ids: frozenset[str]


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the archive and how to undo it."""

    words: str
    undo: Callable[[], None]


class Session:
    """The state of the window. `watchers` are called after `bench`, `position` or `changes` have become others.

    Methods that take a Step are long: they touch nothing but the archive and may run in another thread.
    Raises what Archive raises.
    """

    def __init__(self, place: Place) -> None:
        self.place = place
        self.archive = Archive(place)
        self.bench: Bench | None = None
        self.position: str | None = None
        self.changes: tuple[Change, ...] = ()
        self.watchers: list[Callable[[], None]] = []

    def __enter__(self) -> "Session":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the archive."""
        self.archive.database.engine.dispose()

    def crafts(self) -> list[CraftSummary]:
        """Give the crafts of the archive, by name."""
        return self.archive.crafts()

    def gather(self, name: str, step: Step = quietly) -> Bench:
        """Read and judge everything that is kept of a craft. Raises UsageError when it is not kept."""
        step(0.0, f"reading what is kept of {name}")
        case = open_case(self.archive, name)
        step(0.4, f"judging the motors of {name}")
        verdicts = case.judge()
        step(0.8, "putting readings beside each other")
        groups = groups_of([(motor.position, motor.readings, motor.references) for motor in case.motors])
        return Bench(name, case, verdicts, groups, propeller_or_motor(case))

    def compare(self, step: Step = quietly) -> tuple[Comparison, ...]:
        """Compare each motor with the others, its own past, and the same model on other craft."""
        assert self.bench is not None
        step(0.1, f"comparing the motors of {self.bench.name}")
        return compare_case(self.bench.case)

    def swap(self, first: str, second: str, step: Step = quietly) -> SwapTest:
        """Gather and judge the swap test of two rotors. first: the suspect. Raises UsageError."""
        assert self.bench is not None
        step(0.1, f"judging the swap of {first} and {second}")
        return swap_test(self.archive, self.bench.name, first, second)

    def show(self, bench: Bench) -> None:
        """Make this the craft that is shown; the rotor stays chosen where the craft has one of that name."""
        self.bench = bench
        if self.position not in bench.positions:
            self.position = bench.positions[0] if bench.positions else None
        self._tell()

    def choose(self, position: str) -> None:
        """Choose a rotor. Raises UsageError when the craft has none of that name."""
        if self.bench is None:
            raise UsageError(f"position is {position!r}; no craft is open")
        self.bench.motor(position)
        if position != self.position:
            self.position = position
            self._tell()

    def describe(self, file: str | Path) -> str:
        """Keep a craft from its TOML file; give its name. Raises UnreadableError, UsageError."""
        craft = load_craft(file)
        self.archive.put_craft(read_text(file), craft)
        return craft.name or ""

    def add_craft(self, craft: Craft) -> None:
        """Keep a craft as it was described in the window. Raises UsageError when it has no name."""
        self.archive.put_craft(craft_text(craft), craft)

    def settings_of(self, stated: Stated) -> Settings:
        """Give what was stated, completed by the craft's description. Raises UsageError."""
        assert self.bench is not None
        settings = settings_for(self.bench.craft, stated.position, stated.test)
        return replace(settings, speed_rpm=stated.speed_rpm, sensor=stated.sensor)

    def measure(self, files: Sequence[str | Path], stated: Stated, step: Step = quietly) -> list[NewReading]:
        """Read and analyse recordings of one rotor; nothing is kept yet. Raises UnreadableError, UsageError."""
        from vibekit.analysis import analyze

        settings = self.settings_of(stated)
        found = []
        for number, file in enumerate(map(Path, files)):
            step(number / len(files), f"analysing {file.name}")
            recording = stated.reader.read(file)
            start = recording.start.astimezone() if recording.start else None
            reading = analyze(recording, settings)
            found.append(NewReading(stated.position, file, reading, stated.setup, pack(stated.reader), start))
        return found

    def keep(self, new: Sequence[NewReading]) -> int:
        """Keep readings that can be judged, with their recordings; give how many were not known yet."""
        assert self.bench is not None
        fit = [item for item in new if item.reading.screening.usable]
        ids = [id for id in add_readings(self.archive, self.bench.craft, fit) if id is not None] if fit else []
        if ids:
            self._changed(f"{len(ids)} reading{'s' * (len(ids) > 1)} of {fit[0].position} kept", ids)
        return len(ids)

    def keep_answers(self, answers: Sequence[GivenAnswer]) -> None:
        """Keep what eye and hand said."""
        assert self.bench is not None
        id = self.archive.put_inspection(Inspection(self.bench.name, datetime.now(UTC), tuple(answers)))
        self._changed(f"{len(answers)} answers of the eye-and-hand check kept", [id])

    def keep_action(self, actions: Sequence[PartAction]) -> None:
        """Keep what was done to parts."""
        ids = [add_action(self.archive, action) for action in actions]
        told = ", ".join(f"{action.position}: {action.part} {action.did}" for action in actions)
        self._changed(f"noted: {told}", ids)

    def keep_swap(self, first: str, second: str) -> None:
        """Keep that the propellers of two rotors have changed places."""
        assert self.bench is not None
        name, now = self.bench.name, datetime.now(UTC)
        self.keep_action([PartAction(name, at, "propeller", "swapped", other, "", now) for at, other in ((first, second), (second, first))])

    def before_balance(self, bench: BalanceBench) -> BeforeBalance:
        """Remember how a balancing job and the readings of its rotor stand, before either is changed."""
        return BeforeBalance(bench.job, self._ids_of(bench.job))

    def balance_changed(self, words: str, bench: BalanceBench, before: BeforeBalance | None) -> None:
        """A balancing job was changed, with what it keeps beside itself; before: None when it was begun."""
        id = bench.id

        def back() -> None:
            if before is None:
                self.archive.put_balance(replace(bench.job, ended="taken back"), None, id)
            else:
                self.archive.take_back(sorted(self._ids_of(before.job) - before.ids))
                self.archive.put_balance(before.job, None, id)

        self._remember(Change(words, back))

    def _ids_of(self, job: BalanceJob) -> frozenset[str]:
        readings, work = self.archive.readings(job.craft, job.position), self.archive.actions(job.craft, job.position)
        return frozenset([*(kept.id for kept in readings), *(action.id for action in work)])

    def take_out(self, kept: KeptReading) -> None:
        """Take a reading out of the archive; its recording stays, and undo puts the reading back."""
        assert self.bench is not None
        craft = self.bench.craft
        back = NewReading(kept.position, kept.stored, kept.reading, kept.setup, kept.reader, kept.taken_at, kept.diagnosis)
        self.archive.take_back([kept.id])
        self._remember(Change(f"{kept.name} taken out", lambda: _put_back(self.archive, craft, back)))

    def write(self, path: str | Path, step: Step = quietly) -> Path:
        """Write what is known of the craft, by the name's ending: .html or .pdf the report, .csv the numbers, .json the verdict.

        Raises UsageError.
        """
        assert self.bench is not None
        path, bench = Path(path), self.bench
        step(0.1, f"writing {path.name}")
        if path.suffix.lower() == ".csv":
            _put(path, numbers_csv(kept for motor in bench.case.motors for kept in motor.kept))
        elif path.suffix.lower() == ".json":
            readings = {motor.position: motor.readings for motor in bench.case.motors}
            told = craft_json(bench.name, readings, bench.verdicts, conclude_craft(bench.verdicts))
            told |= comparison_json(compare_case(bench.case)) | propeller_json(bench.parts)
            told |= {"verdict": verdict_json(bench.whole) if bench.whole else None}
            _put(path, json.dumps(told, indent=1, allow_nan=False, ensure_ascii=False))
        else:
            from vibekit.gathering import contents_from_archive
            from vibekit.report import write_report

            write_report(contents_from_archive(self.archive, bench.name), path)
        return path

    def undo(self) -> str:
        """Undo the newest change since the window was opened; say what was undone. Raises UsageError when there is none."""
        if not self.changes:
            raise UsageError("nothing was changed since the window was opened")
        last = self.changes[-1]
        last.undo()
        self.changes = self.changes[:-1]
        self._tell()
        return last.words

    def _changed(self, words: str, ids: Sequence[str]) -> None:
        self._remember(Change(words, lambda: self.archive.take_back(ids)))

    def _remember(self, change: Change) -> None:
        self.changes = (*self.changes, change)
        self._tell()

    def _tell(self) -> None:
        for watcher in self.watchers:
            watcher()


def _put(path: Path, text: str) -> None:
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{str(path)!r} cannot be written: {error.strerror}; choose another place") from None


def _put_back(archive: Archive, craft: Craft, new: NewReading) -> None:
    archive.put_readings(craft, [new])
