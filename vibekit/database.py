"""The archive's database, SQLite or PostgreSQL: opened, brought up to date, and written to in whole transactions."""

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session
from sqlalchemy.pool import NullPool

from vibekit.errors import UnreadableError, UsageError
from vibekit.migrations import SCHEMA, schema_of, upgrade
from vibekit.place import Place

FULL = 1 << 20  # bytes free, with fewer of which a write must have failed for want of room
WAIT_S = 30  # for another process that is writing
TURN = 7462718  # any number of our own: on PostgreSQL one process writes at a time too


class Database:
    """An open database at the newest schema.

    Raises UnreadableError when the place cannot be used, UsageError when `create` is False and nothing is there.
    """

    def __init__(self, place: Place, *, create: bool = True) -> None:
        self.place = place
        if place.database is not None and not place.database.exists() and not create:
            begun = "`vibekit add` with a craft's TOML file begins one (`vibekit craft` writes such a file)"
            raise UsageError(f"no archive at {place.database}; {begun}, and VIBEKIT_ARCHIVE says where it lies")
        self.engine = _engine(place)
        try:
            with self.writing() as session:
                _bring_up_to_date(session.connection(), place)
        except BaseException:
            self.engine.dispose()
            raise

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session that writes: everything in it is kept, or nothing. Raises UnreadableError when the database fails."""
        with self._session(self.engine.execution_options(writes=True)) as session:
            if self.place.database is None:
                session.execute(text(f"SELECT pg_advisory_xact_lock({TURN})"))
            yield session

    @contextmanager
    def looking(self) -> Iterator[Session]:
        """Give a session that only reads. Raises UnreadableError when the database fails."""
        with self._session(self.engine) as session:
            yield session

    @contextmanager
    def _session(self, engine: Engine) -> Iterator[Session]:
        try:
            with Session(engine) as session, session.begin():
                yield session
        except DBAPIError as error:
            reason = " ".join(str(error.orig or error).split())
            if getattr(error.orig, "sqlite_errorname", "").startswith("SQLITE_READONLY"):
                reason += "; make its folder one that you may write to, or set VIBEKIT_ARCHIVE to another"
            elif self.place.database and shutil.disk_usage(self.place.database.parent).free < FULL:
                reason += "; its disk is full: make room"
            raise UnreadableError(f"archive {self.place.shown}: {reason}") from error


def _engine(place: Place) -> Engine:
    to_json = json.JSONEncoder(ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode
    if place.database is None:
        try:
            return create_engine(place.url, json_serializer=to_json, pool_pre_ping=True)
        except ModuleNotFoundError:
            raise UsageError("an archive on PostgreSQL needs a driver: pip install 'vibekit[postgres]'") from None
    try:
        place.database.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UnreadableError(
            f"archive {place.database}: {error.strerror}; set VIBEKIT_ARCHIVE to a folder that you may write to"
        ) from None
    engine = create_engine(place.url, json_serializer=to_json, poolclass=NullPool, connect_args={"timeout": WAIT_S})
    event.listen(engine, "connect", _prepare_sqlite)
    event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: Any, _record: object) -> None:
    connection.isolation_level = None  # the driver begins no transactions of its own; _begin_sqlite does
    for pragma in (f"busy_timeout = {WAIT_S * 1000}", "journal_mode = WAL", "synchronous = FULL", "foreign_keys = ON"):
        connection.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")  # a writer waits for its turn at the start, not half-way


def _bring_up_to_date(connection: Connection, place: Place) -> None:
    found = schema_of(connection)
    if found is not None and found > SCHEMA:
        raise UsageError(f"archive {place.shown} has schema {found}; this vibekit knows up to {SCHEMA}: install a newer vibekit")
    if found != SCHEMA:
        upgrade(connection)
