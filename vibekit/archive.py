"""The archive: crafts, recordings, readings, checks by eye and hand, and what was done to parts."""

from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType
from typing import Any
from uuid import uuid4

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session, undefer

import vibekit
from vibekit.balance_job import BalanceJob
from vibekit.craft import Craft
from vibekit.craft_file import craft_from
from vibekit.database import Database
from vibekit.errors import UnreadableError, UsageError
from vibekit.filestore import FileStore, suffix_of
from vibekit.finding import Diagnosis
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.kept import CraftSummary, KeptBalance, KeptReading, NewReading, PartAction
from vibekit.packing import pack, unpack
from vibekit.place import Place
from vibekit.reading import Reading
from vibekit.tables import (
    BalanceRecordingRow,
    BalanceRow,
    CraftRow,
    CraftVersionRow,
    InspectionPhotoRow,
    InspectionRow,
    PartActionRow,
    PhotoRow,
    ReadingRow,
    RecordingRow,
)

TAKEN_BACK = (ReadingRow, InspectionRow, PartActionRow)


class Archive:
    """An open archive; to be used in a `with` statement. Opening brings its schema up to date.

    Raises UnreadableError when the place cannot be used, UsageError when `create` is False and nothing is there.
    """

    def __init__(self, place: Place, *, create: bool = True) -> None:
        self.place = place
        self.files = FileStore(place.files)
        self.database = Database(place, create=create)
        self.writing = self.database.writing
        self.looking = self.database.looking

    def __enter__(self) -> "Archive":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.database.engine.dispose()

    def put_craft(self, description: str, craft: Craft) -> bool:
        """Keep a craft's description, unless it is the newest already; say whether it was kept."""
        with self.writing() as session:
            return _put_craft(session, description, craft)

    def put_readings(self, craft: Craft, new: list[NewReading], *, replace: bool = False) -> list[str | None]:
        """Keep readings with their recordings, all or none; give the id of each.

        A recording kept for this position already is not kept again and gives None; with `replace` it takes the old one's place.
        Raises UsageError when craft or position is not kept, UnreadableError when a file cannot be copied or changed since.
        """
        with self.writing() as session:
            version = _newest(session, craft.name)
            for item in new:
                self._craft(version).rotor(item.position)
            return [self._put_reading(session, version, item, replace) for item in new]

    def _put_reading(self, session: Session, version: CraftVersionRow, new: NewReading, replace: bool) -> str | None:
        reading = new.reading
        there = select(ReadingRow).filter_by(craft=version.craft, position=new.position, recording=reading.sha256)
        old = session.scalar(there)
        if old and not replace:
            return None
        if not session.get(RecordingRow, reading.sha256):
            session.add(RecordingRow(**self._file(new.file, reading.sha256)))
            session.flush()
        row = old or ReadingRow(id=uuid4().hex, craft=version.craft, position=new.position, recording=reading.sha256)
        row.version = version.id
        row.test = reading.settings.test
        row.setup = new.setup
        row.settings = pack(reading.settings)
        row.reader = new.reader or {}
        row.taken_at = new.taken_at
        row.added_at = datetime.now(UTC)
        _fill(row, reading)
        row.diagnosis = None if new.diagnosis is None else pack(new.diagnosis)
        session.add(row)
        session.flush()
        return row.id

    def remade(self, id: str, reading: Reading) -> None:
        """Put a reading that was made again in the place of the kept one. Raises UsageError when there is none."""
        with self.writing() as session:
            row = session.get(ReadingRow, id)
            if row is None:
                raise UsageError(f"reading is {id!r}; the archive has none of that id")
            _fill(row, reading)

    def put_verdict(self, ids: Iterable[str], diagnosis: Diagnosis) -> None:
        """Keep with these readings what they said together."""
        with self.writing() as session:
            session.execute(update(ReadingRow).where(ReadingRow.id.in_(list(ids))).values(diagnosis=pack(diagnosis)))

    def put_inspection(self, inspection: Inspection) -> str:
        """Keep a check with its photos; give its id. Raises UsageError when the craft is not kept, UnreadableError when a photo changed."""
        with self.writing() as session:
            _newest(session, inspection.craft)
            row = InspectionRow(id=uuid4().hex, craft=inspection.craft, at=inspection.at, answers=pack(inspection.answers))
            session.add(row)
            session.flush()
            for sha256, path in {photo.sha256: photo.path for answer in inspection.answers for photo in answer.photos}.items():
                if not session.get(PhotoRow, sha256):
                    session.add(PhotoRow(**self._file(Path(path), sha256)))
                    session.flush()
                session.add(InspectionPhotoRow(inspection=row.id, photo=sha256))
            return row.id

    def put_action(self, action: PartAction) -> str:
        """Keep what was done to a part; give its id. Raises UsageError when the craft is not kept or has no such position."""
        with self.writing() as session:
            self._craft(_newest(session, action.craft)).rotor(action.position)
            kept = {name: getattr(action, name) for name in PartAction.__slots__ if name != "id"}
            row = PartActionRow(id=uuid4().hex, added_at=datetime.now(UTC), **kept)
            session.add(row)
            return row.id

    def take_back(self, ids: Iterable[str]) -> None:
        """Undo what put_readings, put_inspection and put_action kept, all or none; the files of recordings and photos stay.

        Raises UsageError when an id is not kept.
        """
        with self.writing() as session:
            for id in ids:
                row = next((row for table in TAKEN_BACK if (row := session.get(table, id))), None)
                if row is None:
                    raise UsageError(f"{id!r} is to be taken back; the archive has neither reading, check nor action of that id")
                if isinstance(row, InspectionRow):
                    session.execute(delete(InspectionPhotoRow).filter_by(inspection=id))
                session.delete(row)

    def whole_id(self, start: str) -> str:
        """Give the id of the reading, check or action that begins so. Raises UsageError unless there is just one."""
        with self.looking() as session:
            begin_so = (select(table.id).where(table.id.startswith(start, autoescape=True)).limit(2) for table in TAKEN_BACK)
            found = [id for query in begin_so for id in session.scalars(query)]
        if len(found) != 1:
            many = "several" if found else "neither reading, check nor action"
            raise UsageError(f"id is {start!r}; the archive has {many} whose id begins so")
        return found[0]

    def put_balance(self, job: BalanceJob, files: Mapping[str, Path] | None = None, id: str | None = None) -> str:
        """Keep a balancing job as it stands now, with the files of new recordings by their SHA-256; give its id.

        All of it is kept or nothing, so that a job goes on from its last recording whatever stops it.
        Raises UsageError when the craft is not kept or has no such position, UnreadableError when a file cannot be copied or changed.
        """
        with self.writing() as session:
            self._craft(_newest(session, job.craft)).rotor(job.position)
            now = datetime.now(UTC)
            row = session.get(BalanceRow, id) if id else None
            row = row or BalanceRow(id=id or uuid4().hex, craft=job.craft, position=job.position, began_at=now)
            row.job, row.engine, row.changed_at = pack(job), vibekit.__version__, now
            session.add(row)
            session.flush()
            for sha256, path in (files or {}).items():
                if not session.get(RecordingRow, sha256):
                    session.add(RecordingRow(**self._file(path, sha256)))
                    session.flush()
                session.merge(BalanceRecordingRow(balance=row.id, recording=sha256))
            return row.id

    def balances(self, craft: str, position: str | None = None) -> list[KeptBalance]:
        """Give the balancing jobs of a craft in the order in which they began, at one position only when it is given."""
        query = select(BalanceRow).filter_by(craft=craft).order_by(BalanceRow.began_at, BalanceRow.id)
        with self.looking() as session:
            rows = session.scalars(query.filter_by(position=position) if position else query).all()
            return [self._balance(session, row) for row in rows]

    def _balance(self, session: Session, row: BalanceRow) -> KeptBalance:
        query = select(RecordingRow).join(BalanceRecordingRow, BalanceRecordingRow.recording == RecordingRow.sha256)
        files = session.scalars(query.where(BalanceRecordingRow.balance == row.id))
        stored = {file.sha256: self.files.path(file.sha256, file.suffix) for file in files}
        return KeptBalance(row.id, unpack(BalanceJob, row.job), row.engine, row.began_at, row.changed_at, stored)

    def measured(self, test: str | None, setup: str) -> list[str]:
        """Give the names of the crafts with readings under one test in one set-up, the one measured last first."""
        last = func.max(func.coalesce(ReadingRow.taken_at, ReadingRow.added_at))
        alike = select(ReadingRow.craft).filter_by(test=test, setup=setup)
        query = alike.group_by(ReadingRow.craft).order_by(last.desc(), ReadingRow.craft)
        with self.looking() as session:
            return list(session.scalars(query))

    def crafts(self) -> list[CraftSummary]:
        """Give all crafts, by name."""
        with self.looking() as session:
            names = session.scalars(select(CraftRow.name).order_by(CraftRow.name)).all()
            return [self._summary(session, name) for name in names]

    def _summary(self, session: Session, name: str) -> CraftSummary:
        version = _newest(session, name)
        craft = self._craft(version)
        moments = ((ReadingRow, ReadingRow.added_at), (InspectionRow, InspectionRow.at), (PartActionRow, PartActionRow.added_at))
        found = [session.execute(select(func.count(), func.max(moment)).where(table.craft == name)).one() for table, moment in moments]
        readings, inspections, actions = (count for count, _ in found)
        last = max([version.added_at, *(moment for _, moment in found if moment)])
        return CraftSummary(name, craft.owner, craft.job, len(craft.rotors), readings, inspections, actions, last)

    def craft(self, name: str) -> Craft:
        """Give a craft by its newest description. Raises UsageError when it is not kept."""
        with self.looking() as session:
            return self._craft(_newest(session, name))

    def description(self, name: str) -> str:
        """Give the newest description of a craft as it was given. Raises UsageError when it is not kept."""
        with self.looking() as session:
            return _newest(session, name).toml

    def readings(self, craft: str, position: str | None = None, test: str | None = None) -> list[KeptReading]:
        """Give the readings of a craft in order of time, those of one position or test only when it is given."""
        wanted = {name: value for name, value in (("position", position), ("test", test)) if value is not None}
        order = func.coalesce(ReadingRow.taken_at, ReadingRow.added_at)
        query = select(ReadingRow).filter_by(craft=craft, **wanted).order_by(order, ReadingRow.added_at, ReadingRow.id)
        with self.looking() as session:
            rows = session.scalars(query.options(undefer(ReadingRow.reading), undefer(ReadingRow.diagnosis))).all()
            return [self._kept(session, row) for row in rows]

    def newest(self, craft: str, position: str) -> tuple[datetime, bool] | None:
        """When the newest reading of a position was made, and whether a verdict is kept with it; None when there is no reading."""
        when = func.coalesce(ReadingRow.taken_at, ReadingRow.added_at)
        query = select(when, ReadingRow.diagnosis.is_not(None)).where(ReadingRow.craft == craft, ReadingRow.position == position)
        with self.looking() as session:
            row = session.execute(query.order_by(when.desc()).limit(1)).first()
        return (row[0], bool(row[1])) if row else None

    def reading(self, start: str) -> KeptReading:
        """Give the reading whose id starts with `start`. Raises UsageError unless there is just one."""
        with self.looking() as session:
            rows = session.scalars(select(ReadingRow).where(ReadingRow.id.startswith(start, autoescape=True)).limit(2)).all()
            if len(rows) != 1:
                raise UsageError(f"reading is {start!r}; the archive has {'several' if rows else 'none'} whose id begins so")
            return self._kept(session, rows[0])

    def reading_ids(self, craft: str | None = None) -> list[str]:
        """Give the ids of all readings, or of those of one craft, in the order in which they were added."""
        query = select(ReadingRow.id).order_by(ReadingRow.added_at, ReadingRow.id)
        with self.looking() as session:
            return list(session.scalars(query.filter_by(craft=craft) if craft else query))

    def kept_at(self, recording: str) -> list[tuple[str, str]]:
        """Give (craft, position) of each reading made from the recording of this hash."""
        query = select(ReadingRow.craft, ReadingRow.position).where(ReadingRow.recording == recording).order_by(ReadingRow.added_at)
        with self.looking() as session:
            return [(craft, position) for craft, position in session.execute(query)]

    def inspections(self, craft: str) -> list[Inspection]:
        """Give the checks of a craft in order of time."""
        with self.looking() as session:
            rows = session.scalars(select(InspectionRow).filter_by(craft=craft).order_by(InspectionRow.at, InspectionRow.id))
            return [Inspection(row.craft, row.at, tuple(unpack(GivenAnswer, answer) for answer in row.answers)) for row in rows]

    def actions(self, craft: str, position: str | None = None) -> list[PartAction]:
        """Give what was done to a craft's parts in order of time, at one position only when it is given."""
        query = select(PartActionRow).filter_by(craft=craft).order_by(PartActionRow.done_at, PartActionRow.added_at)
        with self.looking() as session:
            rows = session.scalars(query.filter_by(position=position) if position else query)
            return [PartAction(**{name: getattr(row, name) for name in PartAction.__slots__}) for row in rows]

    def photo(self, sha256: str) -> Path:
        """Give where a photo lies. Raises UsageError when it is not kept."""
        with self.looking() as session:
            row = session.get(PhotoRow, sha256)
            if row is None:
                raise UsageError(f"photo is {sha256!r}; the archive has none of that hash")
            return self.files.path(row.sha256, row.suffix)

    def _craft(self, version: CraftVersionRow) -> Craft:
        return craft_from(version.toml, f"{version.craft}.toml")

    def _kept(self, session: Session, row: ReadingRow) -> KeptReading:
        file = session.get_one(RecordingRow, row.recording)
        return KeptReading(
            row.id,
            row.craft,
            row.position,
            file.name,
            file.sha256,
            self.files.path(file.sha256, file.suffix),
            row.setup,
            row.reader,
            row.taken_at,
            row.added_at,
            unpack(Reading, row.reading),
            unpack(Diagnosis, row.diagnosis) if row.diagnosis else None,
        )

    def _file(self, path: Path, sha256: str) -> dict[str, Any]:
        suffix = suffix_of(path)
        try:
            with path.open("rb") as source:
                size = self.files.keep(source, sha256, suffix)
        except UnreadableError:
            raise
        except OSError as error:
            raise UnreadableError(f"{path}: {error.strerror or error}; nothing was kept") from None
        return {"sha256": sha256, "suffix": suffix, "name": path.name, "size": size, "added_at": datetime.now(UTC)}


def _fill(row: ReadingRow, reading: Reading) -> None:
    row.engine = reading.engine
    row.reading = pack(reading)


def _put_craft(session: Session, description: str, craft: Craft) -> bool:
    if craft.name is None or not craft.name.strip():
        raise UsageError('the craft has no name; write name = "..." at the top of its description')
    if not session.get(CraftRow, craft.name):
        session.add(CraftRow(name=craft.name, added_at=datetime.now(UTC)))
        session.flush()
    elif _newest(session, craft.name).toml == description:
        return False
    session.add(CraftVersionRow(id=uuid4().hex, craft=craft.name, toml=description, added_at=datetime.now(UTC)))
    return True


def _newest(session: Session, craft: str | None) -> CraftVersionRow:
    query = select(CraftVersionRow).filter_by(craft=craft).order_by(CraftVersionRow.added_at.desc(), CraftVersionRow.id).limit(1)
    version = session.scalar(query)
    if version is None:
        known = ", ".join(session.scalars(select(CraftRow.name).order_by(CraftRow.name))) or "none"
        raise UsageError(f"craft is {craft!r}; the archive knows {known}; give its TOML file to make it known")
    return version
