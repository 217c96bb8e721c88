"""The journal of a take: what has come so far, on disk, readable whatever stops us.

A file of records that are only ever appended, each with its length, the number of its first frame, the steady clock's time of its
arrival, and a CRC-32. What a crash leaves half written fails its check and is passed over; the rest is whole. No record refers to another.
"""

import contextlib
import json
import mmap
import os
import struct
import sys
import time
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any
from uuid import uuid4

import numpy as np
import numpy.typing as npt

from vibekit.capture.take import Form
from vibekit.errors import UnreadableError
from vibekit.filestore import settle_folder
from vibekit.packing import pack, unpack

SUFFIX = ".journal"
HEADER, BLOCK, MARK = 1, 2, 3
Samples = npt.NDArray[np.float32]
_MAGIC = b"\x9aVkJ"
_HEAD = struct.Struct("<4sBIQq")  # magic, kind, bytes that follow, first frame, clock in ns
_CRC = struct.Struct("<I")
_LONGEST = 1 << 28


def clock_ns() -> int:
    """Time of a clock that is never set; where the system has one, of a clock that goes on while the computer sleeps."""
    if sys.platform == "linux":
        return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    return time.monotonic_ns()


@dataclass(frozen=True, slots=True)
class Record:
    """One record: its kind, first frame, time of arrival, and its bytes."""

    kind: int
    frame: int
    at_ns: int
    data: bytes

    def samples(self, channels: int) -> Samples:
        """Frames of a BLOCK, (n, channels)."""
        return np.frombuffer(self.data, "<f4").reshape(-1, channels)

    def told(self) -> dict[str, Any]:
        """What a HEADER or MARK says."""
        told: dict[str, Any] = json.loads(self.data)
        return told


class Journal:
    """A journal being written, by one thread. Raises OSError when the disk does not take it.

    As long as it is open no other process offers it as unfinished.
    """

    def __init__(self, folder: Path, form: Form, about: Mapping[str, str], started: datetime) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / f"{started:%Y%m%d-%H%M%S}-{uuid4().hex[:8]}{SUFFIX}"
        self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | getattr(os, "O_BINARY", 0), 0o600)
        hold(self._file)
        self._append(HEADER, 0, _json({"form": pack(form), "about": dict(about), "started": started.isoformat()}))
        self.settle()
        settle_folder(folder)

    def block(self, frame: int, at_ns: int, samples: Samples) -> None:
        """Append frames (n, channels)."""
        self._append(BLOCK, frame, np.ascontiguousarray(samples, "<f4").tobytes(), at_ns)

    def mark(self, frame: int, **told: str | float) -> None:
        """Append something that happened before this frame."""
        self._append(MARK, frame, _json(told))

    def settle(self) -> None:
        """Force what was appended to the disk itself."""
        force(self._file)

    def close(self) -> None:
        """Settle and let go; it can then be finished."""
        try:
            self.settle()
        finally:
            os.close(self._file)

    def _append(self, kind: int, frame: int, data: bytes, at_ns: int | None = None) -> None:
        head = _HEAD.pack(_MAGIC, kind, len(data), frame, clock_ns() if at_ns is None else at_ns)
        rest = memoryview(b"".join((head, data, _CRC.pack(zlib.crc32(data, zlib.crc32(head))))))
        while rest:
            rest = rest[os.write(self._file, rest) :]


def records(path: Path) -> Iterator[Record]:
    """Give the whole records of a journal in order; damaged ones are passed over. Raises OSError."""
    with path.open("rb") as file:
        if not os.fstat(file.fileno()).st_size:
            return
        with mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as whole:
            at = 0
            while (at := whole.find(_MAGIC, at)) >= 0 and at + _HEAD.size + _CRC.size <= len(whole):
                record, end = _record(whole, at)
                if record is not None:
                    yield record
                at = end


def _record(whole: mmap.mmap, at: int) -> tuple[Record | None, int]:
    """The record at a place and where the next may begin; None when its check fails."""
    head = whole[at : at + _HEAD.size]
    _, kind, length, frame, at_ns = _HEAD.unpack(head)
    end = at + _HEAD.size + length
    if length > _LONGEST or end + _CRC.size > len(whole):
        return None, at + 1
    data = whole[at + _HEAD.size : end]
    if zlib.crc32(data, zlib.crc32(head)) != _CRC.unpack(whole[end : end + _CRC.size])[0]:
        return None, at + 1
    return Record(kind, frame, at_ns, data), end + _CRC.size


@dataclass(frozen=True, slots=True)
class Unfinished:
    """A take that was cut off: its journal, what it was a take of, when it began, how many seconds there are."""

    path: Path
    form: Form
    about: dict[str, str]
    started: datetime
    seconds: float


def unfinished(folder: Path) -> list[Unfinished]:
    """Give the takes in a folder that no living process holds, oldest first. Journals without a readable header are not among them."""
    found = []
    for path in journals(folder):
        with contextlib.suppress(OSError), claimed(path):
            found.append(look(path))
    return list(filter(None, found))


def journals(folder: Path) -> list[Path]:
    """Give the journals in a folder, oldest first."""
    return sorted(folder.glob(f"*{SUFFIX}"))


def look(path: Path) -> Unfinished | None:
    """Give what is in a journal so far; None when it has no readable header. Raises OSError."""
    every = records(path)
    first = next(every, None)
    if first is None or first.kind != HEADER:
        return None
    form, about, started = opening(first)
    row = 4 * len(form.channels)
    frames = sum(len(record.data) // row for record in every if record.kind == BLOCK)
    return Unfinished(path, form, about, started, frames / form.rate_hz)


def opening(header: Record) -> tuple[Form, dict[str, str], datetime]:
    """What the header says: the form, what it is a take of, when the journal was opened."""
    told = header.told()
    return unpack(Form, told["form"]), told["about"], datetime.fromisoformat(told["started"])


@contextlib.contextmanager
def claimed(path: Path) -> Iterator[None]:
    """Hold a journal while it is read. Raises UnreadableError when another process holds it, OSError when it is gone."""
    file = os.open(path, os.O_RDWR | getattr(os, "O_BINARY", 0))
    try:
        hold(file)
        yield
    finally:
        os.close(file)


def hold(file: int) -> None:
    """Lock an open journal until it is closed, by us or by our death. Raises UnreadableError when another holds it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(file, _LONGEST << 20, os.SEEK_SET)  # past any end: this lock keeps others from reading what it covers
            msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        raise UnreadableError("another vibekit is recording or finishing this take; wait for it") from None


def force(file: int) -> None:
    """Force an open file to the disk itself, past the drive's own memory where the system offers that."""
    if sys.platform == "darwin":
        import fcntl

        fcntl.fcntl(file, fcntl.F_FULLFSYNC)
    elif sys.platform == "win32":
        os.fsync(file)
    else:
        os.fdatasync(file)


def _json(told: Mapping[str, Any]) -> bytes:
    return json.dumps(told, allow_nan=False).encode()
