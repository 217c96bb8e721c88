"""Files to readings, with progress on the terminal when it takes more than a second."""

import sys
import time
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import TypeVar

from vibekit.capture.reader import Reader
from vibekit.errors import UsageError
from vibekit.reading import Reading
from vibekit.settings import Settings

T = TypeVar("T")
PATIENCE_S = 1.0


def measure(paths: Sequence[str], settings: Sequence[Settings], reader: Reader) -> list[Reading]:
    """Read and analyse each file with its settings. Raises UnreadableError or UsageError at the first file that does not read."""
    from vibekit.analysis import analyze

    for path in paths:
        if not Path(path).exists():  # said before any long work begins
            reader.read(path)
    jobs = list(zip(paths, settings, strict=True))
    return [analyze(reader.read(path), given) for path, given in progress(jobs, "analysing")]


def check_each_once(readings: Iterable[Reading]) -> None:
    """Raise UsageError where one recording is among them twice: it would agree with itself, whatever its motor does."""
    seen: dict[str, str] = {}
    for reading in readings:
        if reading.sha256 in seen:
            other = f" and {reading.file}" if reading.file != seen[reading.sha256] else ""
            raise UsageError(f"{seen[reading.sha256]}{other}: the same recording twice; give each once")
        seen[reading.sha256] = reading.file


def motor_names(paths: Sequence[str]) -> list[str]:
    """Give each file's motor the name of the file, with as much of what stands around it as tells them apart."""
    names = [Path(path).stem for path in paths]
    depth = 0
    while len(set(names)) < len(set(paths)):
        depth += 1
        names = ["/".join(Path(path).parts[-depth:]) for path in paths]
    return names


def progress(jobs: Sequence[T], what: str) -> Iterator[T]:
    """Give the jobs one by one; a bar appears on a terminal once they have taken a second."""
    began = time.monotonic()
    done = 0
    for job in jobs:
        if time.monotonic() - began > PATIENCE_S and sys.stderr.isatty():
            break
        yield job
        done += 1
    if done < len(jobs):
        yield from _bar(jobs[done:], what, done, len(jobs))


def _bar(jobs: Iterable[T], what: str, done: int, total: int) -> Iterator[T]:
    from rich.console import Console
    from rich.progress import track

    yield from track(jobs, what, total=total, completed=done, console=Console(stderr=True), transient=True)
