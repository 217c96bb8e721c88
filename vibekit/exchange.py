"""An archive, or some crafts of it, as one zip file: taken out here, put in elsewhere.

manifest.json holds every row, manifest.sha256 its hash, files/ the recordings and photos, each under its own hash.
"""

import hashlib
import json
import re
import zipfile
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

from sqlalchemy import JSON, Column, ColumnElement, Table, select
from sqlalchemy.orm import Session

import vibekit
from vibekit.archive import Archive
from vibekit.balance_job import BalanceJob
from vibekit.craft_file import craft_from
from vibekit.errors import UnreadableError, UsageError, VibekitError
from vibekit.filestore import BLOCK, Watch, suffix_of, unwatched
from vibekit.finding import Diagnosis
from vibekit.inspection import GivenAnswer
from vibekit.migrations import SCHEMA
from vibekit.packing import unpack
from vibekit.reading import Reading
from vibekit.tables import Base, Moment

LAYOUT = "vibekit.archive/1"
MANIFEST, SEAL = "manifest.json", "manifest.sha256"
MOST_MANIFEST = 1 << 30
TABLES = {table.name: table for table in Base.metadata.sorted_tables}  # what is referred to comes first
Row = dict[str, Any]
Rows = dict[str, list[Row]]


@dataclass(frozen=True, slots=True)
class Moved:
    """How many rows of each table were moved, and how many files; `known` rows were there already and were left as they are."""

    rows: dict[str, int]
    files: int
    known: int = 0


def take_out(archive: Archive, path: Path, crafts: Iterable[str] = (), watch: Watch = unwatched) -> Moved:
    """Write the crafts named, or all, to a new zip file. Raises UsageError for a craft not kept or a file that exists, UnreadableError."""
    if path.exists():
        raise UsageError(f"{path} exists; name a file that does not")
    names = list(crafts)
    for name in names:
        archive.craft(name)
    with archive.looking() as session:
        rows = _selected(session, names or [craft.name for craft in archive.crafts()])
    head = {"schema": LAYOUT, "database": SCHEMA, "engine": vibekit.__version__, "made_at": datetime.now(UTC).isoformat()}
    manifest = json.dumps(head | {"tables": rows}, ensure_ascii=False, allow_nan=False, indent=1).encode()
    part = path.with_name(f"{path.name}.{uuid4().hex[:8]}.part")
    try:
        with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED) as out:
            out.writestr(MANIFEST, manifest)
            out.writestr(SEAL, hashlib.sha256(manifest).hexdigest())
            for row in watch(_files(rows), "packing"):
                out.write(archive.files.path(row["sha256"], row["suffix"]), _member(row))
        part.replace(path)
    except OSError as error:
        raise UnreadableError(f"{error.filename or path}: {error.strerror or error}; `vibekit archive check` says what is lost") from None
    finally:
        part.unlink(missing_ok=True)
    return Moved({name: len(found) for name, found in rows.items()}, len(_files(rows)))


def take_in(archive: Archive, path: Path, watch: Watch = unwatched) -> Moved:
    """Put what such a file holds into the archive; what is there already stays as it is, so that doing it twice changes nothing.

    All of it is checked first, and a file that was changed since it was made is refused whole: raises UnreadableError. Raises UsageError
    when another craft of the same name is kept here.
    """
    try:
        with zipfile.ZipFile(path) as source:
            rows = _manifest(source)
            _check_files(source, rows, watch)
            with archive.writing() as session:
                new, known = _insert(session, rows)
                for row in watch(_files(new), "copying"):
                    with source.open(_member(row)) as file:
                        archive.files.keep(file, row["sha256"], row["suffix"])
    except VibekitError as error:
        raise type(error)(f"{path}: {error}; nothing was taken in") from None
    except (
        zipfile.BadZipFile,
        zipfile.LargeZipFile,
        EOFError,
        NotImplementedError,
        RuntimeError,
        OSError,
        ValueError,
        zlib.error,
    ) as error:
        reason = getattr(error, "strerror", None) or error
        raise UnreadableError(f"{path}: {reason}; nothing was taken in, give a file that `vibekit archive export` wrote") from None
    return Moved({name: len(found) for name, found in new.items()}, len(_files(new)), known)


def _selected(session: Session, crafts: list[str]) -> Rows:
    def rows(name: str, condition: ColumnElement[bool]) -> list[Row]:
        table = TABLES[name]
        found = session.execute(select(table).where(condition).order_by(*table.primary_key))
        return [{key: _plain(value) for key, value in row.items()} for row in found.mappings()]

    def among(name: str, column: str, wanted: Iterable[Any]) -> list[Row]:
        return rows(name, TABLES[name].c[column].in_(sorted(set(wanted))))

    chosen: Rows = {"craft": among("craft", "name", crafts)}
    for name in ("craft_version", "reading", "inspection", "part_action", "balance"):
        chosen[name] = among(name, "craft", crafts)
    chosen["balance_recording"] = among("balance_recording", "balance", (row["id"] for row in chosen["balance"]))
    heard = [row["recording"] for name in ("reading", "balance_recording") for row in chosen[name]]
    chosen["recording"] = among("recording", "sha256", heard)
    chosen["inspection_photo"] = among("inspection_photo", "inspection", (row["id"] for row in chosen["inspection"]))
    chosen["photo"] = among("photo", "sha256", (row["photo"] for row in chosen["inspection_photo"]))
    return {name: chosen[name] for name in TABLES}


def _files(rows: Rows) -> list[Row]:
    return rows["recording"] + rows["photo"]


def _member(row: Row) -> str:
    return f"files/{row['sha256']}{row['suffix']}"


def _manifest(source: zipfile.ZipFile) -> Rows:
    sizes = {info.filename: info.file_size for info in source.infolist()}
    if MANIFEST not in sizes or SEAL not in sizes or max(sizes[MANIFEST], sizes[SEAL]) > MOST_MANIFEST:
        raise UnreadableError("no archive of ours: it has no manifest")
    raw = source.read(MANIFEST)
    if hashlib.sha256(raw).hexdigest() != source.read(SEAL).decode("ascii", "replace").strip():
        raise UnreadableError("its manifest was changed since it was written")
    manifest = json.loads(raw)
    if not isinstance(manifest, dict) or manifest.get("schema") != LAYOUT or manifest.get("database") != SCHEMA:
        raise UnreadableError(
            f"its manifest is not of layout {LAYOUT!r} and schema {SCHEMA!r}; use the same version of vibekit on both sides"
        )
    tables = manifest.get("tables")
    if not isinstance(tables, dict) or tables.keys() != TABLES.keys() or not all(isinstance(found, list) for found in tables.values()):
        raise UnreadableError(f"its manifest must list the tables {', '.join(TABLES)}")
    rows = {name: [_row(table, given) for given in tables[name]] for name, table in TABLES.items()}
    _check_references(rows)
    _check_contents(rows)
    return rows


def _row(table: Table, given: object) -> Row:
    columns = table.c
    if not isinstance(given, dict) or given.keys() != set(columns.keys()):
        raise UnreadableError(f"a row of {table.name} must have just {', '.join(columns.keys())}")
    return {name: _value(columns[name], value) for name, value in given.items()}


def _value(column: Column[Any], value: Any) -> Any:
    if value is None and column.nullable:
        return None
    if isinstance(column.type, Moment):
        moment = datetime.fromisoformat(value) if isinstance(value, str) else None
        if moment is None or moment.tzinfo is None:
            raise UnreadableError(f"{column.table.name}.{column.name} is {str(value)[:40]!r}, no moment with its zone")
        return moment
    allowed = (dict, list) if isinstance(column.type, JSON) else column.type.python_type
    if not isinstance(value, allowed) or isinstance(value, bool):
        raise UnreadableError(f"{column.table.name}.{column.name} is {str(value)[:40]!r}")
    return value


def _check_references(rows: Rows) -> None:
    for name, table in TABLES.items():
        for key in table.foreign_keys:
            there = {row[key.column.name] for row in rows[key.column.table.name]}
            for row in rows[name]:
                if row[key.parent.name] not in there:
                    raise UnreadableError(f"{name} refers to {key.column.table.name} {row[key.parent.name]!r}, which is not in it")


def _check_contents(rows: Rows) -> None:
    for row in rows["craft_version"]:
        if craft_from(row["toml"], f"{row['craft']}.toml").name != row["craft"]:
            raise UnreadableError(f"a description of craft {row['craft']!r} names another")
    for row in rows["reading"]:
        reading = unpack(Reading, row["reading"])
        if row["diagnosis"] is not None:
            unpack(Diagnosis, row["diagnosis"])
        if reading.sha256 != row["recording"] or reading.engine != row["engine"]:
            raise UnreadableError(f"reading {row['id']!r} was not made from its recording")
    for row in rows["inspection"]:
        for answer in row["answers"]:
            unpack(GivenAnswer, answer)
    for row in rows["balance"]:
        unpack(BalanceJob, row["job"])
    for row in _files(rows):
        if not re.fullmatch("[0-9a-f]{64}", row["sha256"]) or suffix_of(Path(f"x{row['suffix']}")) != row["suffix"]:
            raise UnreadableError(f"file {_member(row)!r} is not named by a hash")


def _check_files(source: zipfile.ZipFile, rows: Rows, watch: Watch) -> None:
    named = {_member(row): row for row in _files(rows)}
    inside = [info for info in source.infolist() if info.filename not in (MANIFEST, SEAL)]
    if sorted(info.filename for info in inside) != sorted(named):
        raise UnreadableError("its files are not those that its manifest names")
    for info in watch(inside, "hashing"):
        row, digest = named[info.filename], hashlib.sha256()
        if info.file_size != row["size"]:
            raise UnreadableError(f"{row['name']} has {info.file_size} bytes, not {row['size']}")
        with source.open(info) as file:
            while block := file.read(BLOCK):
                digest.update(block)
        if digest.hexdigest() != row["sha256"]:
            raise UnreadableError(f"{row['name']} does not have the bytes that its hash {row['sha256'][:12]}... stands for")


def _insert(session: Session, rows: Rows) -> tuple[Rows, int]:
    """Add the rows that are not there; give them, and how many were."""
    _refuse_namesakes(session, rows)
    new: Rows = {name: [row for row in rows[name] if not _is_there(session, table, row)] for name, table in TABLES.items()}
    for name, table in TABLES.items():
        if new[name]:
            session.execute(table.insert(), new[name])
    return new, sum(len(rows[name]) - len(new[name]) for name in TABLES)


def _refuse_namesakes(session: Session, rows: Rows) -> None:
    table = TABLES["craft_version"]
    for craft in rows["craft"]:
        here = set(session.scalars(select(table.c.toml).where(table.c.craft == craft["name"])))
        if here and here.isdisjoint(row["toml"] for row in rows["craft_version"] if row["craft"] == craft["name"]):
            raise UsageError(f"another craft called {craft['name']!r} is kept here, with descriptions that agree in none")


def _is_there(session: Session, table: Table, row: Row) -> bool:
    keys = [list(table.primary_key)]
    if table.name == "reading":  # the same recording may have been added on both sides
        keys.append([table.c.craft, table.c.position, table.c.recording])
    return any(session.execute(select(key[0]).where(*(column == row[column.name] for column in key))).first() for key in keys)


def _plain(value: Any) -> Any:
    return value.isoformat() if isinstance(value, datetime) else value
