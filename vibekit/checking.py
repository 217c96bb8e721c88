"""Is the archive whole? Every file hashed again, every reference followed, every reading opened."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import func, select, text
from sqlalchemy.orm import Session, undefer

from vibekit.archive import Archive
from vibekit.balance_job import BalanceJob
from vibekit.craft_file import craft_from
from vibekit.errors import VibekitError
from vibekit.filestore import Watch, hash_of, unwatched
from vibekit.finding import Diagnosis
from vibekit.inspection import GivenAnswer
from vibekit.migrations import schema_of
from vibekit.packing import unpack
from vibekit.reading import Reading
from vibekit.tables import BalanceRow, Base, CraftVersionRow, FileRow, InspectionRow, PhotoRow, ReadingRow, RecordingRow

OLD_S = 3600  # a file that no row names and that is younger may belong to a process that is just adding it


@dataclass(frozen=True, slots=True)
class Check:
    """What a check found.

    schema: step of the database; rows: how many a table; files: how many were hashed
    problems: what is wrong, one line each; leftovers: files that no row names, left by something interrupted and harmless
    """

    schema: str
    rows: dict[str, int]
    files: int
    problems: tuple[str, ...]
    leftovers: tuple[Path, ...]


def check(archive: Archive, watch: Watch = unwatched) -> Check:
    """Check the whole archive; changes nothing."""
    with archive.looking() as session:
        problems = [*_database(session, archive), *_references(session), *_contents(session)]
        rows_of_files: list[FileRow] = list(session.scalars(select(RecordingRow)))
        rows_of_files += session.scalars(select(PhotoRow))
        kept = [(row, archive.files.path(row.sha256, row.suffix)) for row in rows_of_files]
        for row, path in watch(kept, "hashing"):
            problems += _file(row, path)
        rows = {table.name: session.scalar(select(func.count()).select_from(table)) or 0 for table in Base.metadata.sorted_tables}
        schema = schema_of(session.connection()) or "none"
    named = {path for _, path in kept}
    return Check(schema, rows, len(kept), tuple(problems), tuple(path for path in archive.files.files() if path not in named))


def tidy(found: Check) -> tuple[Path, ...]:
    """Remove leftovers older than an hour; give what was removed."""
    old = tuple(path for path in found.leftovers if path.exists() and time.time() - path.stat().st_mtime > OLD_S)
    for path in old:
        path.unlink(missing_ok=True)
    return old


def _database(session: Session, archive: Archive) -> Iterator[str]:
    if archive.place.database is None:
        return
    for line in session.scalars(text("PRAGMA integrity_check")):
        if line != "ok":
            yield f"database {archive.place.database}: {line}"


def _references(session: Session) -> Iterator[str]:
    for table in Base.metadata.sorted_tables:
        for key in table.foreign_keys:
            column, goal = key.parent, key.column
            lost = select(column).where(column.is_not(None), ~select(goal).where(goal == column).exists()).distinct()
            for value in session.scalars(lost):
                yield f"{table.name}: {column.name} {value!r} is not in {goal.table.name}"


def _contents(session: Session) -> Iterator[str]:
    for version in session.scalars(select(CraftVersionRow)):
        try:
            craft_from(version.toml, f"description of {version.craft}")
        except VibekitError as error:
            yield str(error)
    for check_row in session.scalars(select(InspectionRow)):
        try:
            [unpack(GivenAnswer, answer) for answer in check_row.answers]
        except VibekitError as error:
            yield f"inspection {check_row.id[:8]}: {error}"
    for balance in session.scalars(select(BalanceRow)):
        try:
            unpack(BalanceJob, balance.job)
        except VibekitError as error:
            yield f"balancing job {balance.id[:8]}: {error}"
    query = select(ReadingRow).options(undefer(ReadingRow.reading), undefer(ReadingRow.diagnosis)).execution_options(yield_per=20)
    for row in session.scalars(query):
        try:
            reading = unpack(Reading, row.reading)
            if row.diagnosis is not None:
                unpack(Diagnosis, row.diagnosis)
        except VibekitError as error:
            yield f"reading {row.id[:8]}: {error}"
            continue
        if reading.sha256 != row.recording:
            yield f"reading {row.id[:8]}: made from {reading.sha256[:12]}, kept with recording {row.recording[:12]}"


def _file(row: FileRow, path: Path) -> Iterator[str]:
    if not path.is_file():
        yield f"{row.name}: its file is gone ({path})"
    elif (found := hash_of(path)) != row.sha256:
        yield f"{row.name}: its bytes changed, SHA-256 is {found[:12]}..., not {row.sha256[:12]}... ({path})"
