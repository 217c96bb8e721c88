"""A take that a phone sends: frames in, a file out."""

import contextlib
import math
from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Protocol

from vibekit.capture.phone.frame import MOTION, SOUND, Frame, Layout
from vibekit.capture.phone.limits import MOST_TAKE_S, Pace
from vibekit.capture.phone.microphone import PhoneMicrophone
from vibekit.capture.phone.motion import MotionLog
from vibekit.capture.phone.stream import Stream
from vibekit.capture.recorder import Recorder
from vibekit.errors import UnreadableError
from vibekit.recording import Sensor

BROKE = "The phone did not end it: the page was closed or its connection broke, so this may be only the beginning."
MOST_ROWS_S = 500.0  # of a motion sensor: more than any browser gives


@contextlib.contextmanager
def _told() -> Iterator[None]:
    """Say in a line what the disk does not take. Raises UnreadableError."""
    try:
        yield
    except UnreadableError:
        raise
    except OSError as error:
        raise UnreadableError(f"the disk takes no more ({error.strerror or error}); what came before is kept") from None


class PhoneTake(Protocol):
    """One take. layout: of its frames; sensor: what listens."""

    layout: Layout
    sensor: Sensor

    def begin(self) -> None:
        """Open its file. Raises UnreadableError when the disk does not take it."""

    def add(self, frame: Frame) -> bool:
        """Take a frame; False when no more are wanted. Raises UnreadableError for a frame that cannot be."""

    def finish(self, frames: int | None) -> tuple[Path, tuple[str, ...]]:
        """End it; give its file and what to know about it.

        frames: how many the phone made, None when the connection broke. Raises UnreadableError when there is nothing to keep.
        """


class SoundTake:
    """Sound, by the recorder with its journal."""

    layout = SOUND
    sensor: Sensor = "microphone"

    def __init__(self, stream: Stream, folder: Path, about: Mapping[str, str], seconds: float | None) -> None:
        self._microphone = PhoneMicrophone(stream)
        length_s, patience_s = seconds or MOST_TAKE_S, math.inf  # who talks with it waits
        self._recorder = Recorder(self._microphone, folder, about=dict(about), length_s=length_s, patience_s=patience_s)

    def begin(self) -> None:
        """See PhoneTake."""
        self._recorder.start()

    def add(self, frame: Frame) -> bool:
        """See PhoneTake."""
        return self._microphone.receive(frame)

    def finish(self, frames: int | None) -> tuple[Path, tuple[str, ...]]:
        """See PhoneTake."""
        missing = self._microphone.end(frames)
        self._recorder.stop("the phone ended it" if frames is not None else "the connection to the phone broke")
        take = self._recorder.finish()
        return take.path, tuple(note for note in (BROKE if frames is None else missing, *take.account.notes) if note)


class MotionTake:
    """Readings of the motion sensor, as a text log."""

    layout = MOTION
    sensor: Sensor = "phone-motion"

    def __init__(self, folder: Path, name: str, seconds: float | None) -> None:
        self._path = folder / f"{datetime.now():%Y%m%d-%H%M%S}-{name}.csv"
        self._most_ms = 1000 * (seconds or MOST_TAKE_S)
        self._first_ms: float | None = None
        self._pace = Pace(MOST_ROWS_S, 10 * MOST_ROWS_S)

    def begin(self) -> None:
        """See PhoneTake."""
        with _told():
            self._path.parent.mkdir(parents=True, exist_ok=True)
            self._log = MotionLog(self._path)

    def add(self, frame: Frame) -> bool:
        """See PhoneTake."""
        if not self._pace.allows(len(frame.rows)):
            raise UnreadableError("readings came faster than a sensor gives them")
        with _told():
            self._log.add(frame)
        if self._first_ms is None:
            self._first_ms = float(frame.rows[0, 0])
        return float(frame.rows[-1, 0]) - self._first_ms < self._most_ms

    def finish(self, frames: int | None) -> tuple[Path, tuple[str, ...]]:
        """See PhoneTake."""
        with _told():
            self._log.close()
        if not self._log.rows:
            raise UnreadableError("the motion sensor gave no readings; allow motion sensors in the browser's settings for this page")
        return self._path, (self._log.limits,) if frames is not None else (BROKE, self._log.limits)
