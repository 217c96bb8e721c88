"""The archive's tables: the same on SQLite and PostgreSQL."""

from datetime import UTC, datetime
from typing import Any, ClassVar

from sqlalchemy import JSON, BigInteger, DateTime, Dialect, ForeignKey, MetaData, Text, TypeDecorator, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Moment(TypeDecorator[datetime]):
    """A moment in UTC; SQLite forgets the zone, so it is put back."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Turn any zone into UTC."""
        assert value is None or value.tzinfo is not None, "a moment needs a zone"
        return None if value is None else value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Say that it is UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class Base(DeclarativeBase):
    """Root of the tables."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {
        str: Text(),
        int: BigInteger(),
        datetime: Moment(),
        dict[str, Any]: JSON(none_as_null=True),
        list[Any]: JSON(none_as_null=True),
    }


class CraftRow(Base):
    """A craft, known by its name."""

    __tablename__ = "craft"
    name: Mapped[str] = mapped_column(primary_key=True)
    added_at: Mapped[datetime]


class CraftVersionRow(Base):
    """A craft's description as it was given; the newest counts, the older ones say what a reading was made with."""

    __tablename__ = "craft_version"
    id: Mapped[str] = mapped_column(primary_key=True)
    craft: Mapped[str] = mapped_column(ForeignKey("craft.name"), index=True)
    toml: Mapped[str]
    added_at: Mapped[datetime]


class FileRow:
    """A file whose bytes lie in the folder of files under their hash. name: as it was called; size: in bytes."""

    sha256: Mapped[str] = mapped_column(primary_key=True)
    suffix: Mapped[str]
    name: Mapped[str]
    size: Mapped[int]
    added_at: Mapped[datetime]


class RecordingRow(FileRow, Base):
    """A recording."""

    __tablename__ = "recording"


class ReadingRow(Base):
    """What one recording says of one rotor. `reader` holds roles and unit given for the file; `reading` everything, curves too."""

    __tablename__ = "reading"
    __table_args__ = (UniqueConstraint("craft", "position", "recording"),)
    id: Mapped[str] = mapped_column(primary_key=True)
    craft: Mapped[str] = mapped_column(ForeignKey("craft.name"))
    version: Mapped[str] = mapped_column(ForeignKey("craft_version.id"))
    position: Mapped[str]
    recording: Mapped[str] = mapped_column(ForeignKey("recording.sha256"), index=True)
    test: Mapped[str | None]
    setup: Mapped[str]
    settings: Mapped[dict[str, Any]]
    reader: Mapped[dict[str, Any]]
    engine: Mapped[str]
    reading: Mapped[dict[str, Any]] = mapped_column(deferred=True)
    diagnosis: Mapped[dict[str, Any] | None] = mapped_column(deferred=True)
    taken_at: Mapped[datetime | None]
    added_at: Mapped[datetime]


class InspectionRow(Base):
    """One eye-and-hand check with its answers."""

    __tablename__ = "inspection"
    id: Mapped[str] = mapped_column(primary_key=True)
    craft: Mapped[str] = mapped_column(ForeignKey("craft.name"), index=True)
    at: Mapped[datetime]
    answers: Mapped[list[Any]]


class PhotoRow(FileRow, Base):
    """A photo."""

    __tablename__ = "photo"


class InspectionPhotoRow(Base):
    """Which photo belongs to which check."""

    __tablename__ = "inspection_photo"
    inspection: Mapped[str] = mapped_column(ForeignKey("inspection.id"), primary_key=True)
    photo: Mapped[str] = mapped_column(ForeignKey("photo.sha256"), primary_key=True)


class BalanceRow(Base):
    """A balancing job with all its rounds, rewritten after each recording."""

    __tablename__ = "balance"
    id: Mapped[str] = mapped_column(primary_key=True)
    craft: Mapped[str] = mapped_column(ForeignKey("craft.name"), index=True)
    position: Mapped[str]
    engine: Mapped[str]
    job: Mapped[dict[str, Any]]
    began_at: Mapped[datetime]
    changed_at: Mapped[datetime]


class BalanceRecordingRow(Base):
    """Which recording belongs to which balancing job."""

    __tablename__ = "balance_recording"
    balance: Mapped[str] = mapped_column(ForeignKey("balance.id"), primary_key=True)
    recording: Mapped[str] = mapped_column(ForeignKey("recording.sha256"), primary_key=True)


class PartActionRow(Base):
    """What was done to a part."""

    __tablename__ = "part_action"
    id: Mapped[str] = mapped_column(primary_key=True)
    craft: Mapped[str] = mapped_column(ForeignKey("craft.name"), index=True)
    position: Mapped[str]
    part: Mapped[str]
    did: Mapped[str]
    fitted: Mapped[str]
    note: Mapped[str]
    done_at: Mapped[datetime]
    added_at: Mapped[datetime]
