"""Recordings and photos in a folder, each under the hash of its bytes, unchanged."""

import contextlib
import hashlib
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any
from uuid import uuid4

from vibekit.errors import UnreadableError

BLOCK = 1 << 20
Watch = Callable[[Sequence[Any], str], Iterable[Any]]  # gives the items one by one, and may show how far it is and what is being done


def unwatched(items: Sequence[Any], what: str) -> Iterable[Any]:
    """Give the items and show nothing."""
    return items


class FileStore:
    """A folder of files named by their SHA-256. A file is either wholly there or not at all, whatever stops us."""

    def __init__(self, root: Path) -> None:
        self.root = root

    def path(self, sha256: str, suffix: str) -> Path:
        """Where a file lies, or would lie."""
        return self.root / sha256[:2] / f"{sha256}{suffix}"

    def keep(self, source: IO[bytes], sha256: str, suffix: str) -> int:
        """Copy `source` in and give its size in bytes; what is there already and sound is left alone. Raises UnreadableError.

        It is written under another name, forced to disk, then renamed.
        """
        goal = self.path(sha256, suffix)
        if goal.exists() and hash_of(goal) == sha256:
            return goal.stat().st_size
        goal.parent.mkdir(parents=True, exist_ok=True)
        part = self.root / f"part-{uuid4().hex}"
        try:
            found, size = _copy(source, part)
            if found != sha256:
                raise UnreadableError(f"{goal.name}: the bytes have SHA-256 {found}; the file was changed since it was read or named")
            part.replace(goal)
        finally:
            part.unlink(missing_ok=True)
        settle_folder(goal.parent)
        return size

    def files(self) -> Iterator[Path]:
        """Everything in the folder, finished or not."""
        if self.root.is_dir():
            yield from (path for path in sorted(self.root.rglob("*")) if path.is_file())


def hash_of(path: Path) -> str:
    """Give the SHA-256 of a file's bytes in hexadecimal. Raises UnreadableError."""
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise UnreadableError(f"{path}: {error.strerror or error}") from None


def suffix_of(path: Path) -> str:
    """Give a file's ending as it is kept: lower case, letters and digits only, so that it tells the format and nothing else."""
    ending = "".join(c for c in path.suffix.lower()[:9] if c.isascii() and c.isalnum())
    return f".{ending}" if ending else ""


def _copy(source: IO[bytes], goal: Path) -> tuple[str, int]:
    digest, size = hashlib.sha256(), 0
    with goal.open("xb") as file:
        while block := source.read(BLOCK):
            digest.update(block)
            size += file.write(block)
        file.flush()
        os.fsync(file.fileno())
    return digest.hexdigest(), size


def settle_folder(folder: Path) -> None:
    """Force a folder's names to disk where the system can."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
