"""The one recorder: any source in, a take on disk out.

The source's thread only copies what it has into a queue. A writer thread numbers the frames, appends them to the journal, forces it to
disk twice a second, and puts the newest sound where a meter may look. When the writer has ended, `finish` makes the sound file.
"""

import queue
import shutil
import threading
import time
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
import numpy.typing as npt

from vibekit.capture.delivery import Delivery
from vibekit.capture.finishing import finish_journal
from vibekit.capture.journal import BLOCK, Journal, clock_ns, records
from vibekit.capture.take import PAUSED, Form, Take
from vibekit.capture.trigger import Trigger
from vibekit.errors import UnreadableError

SETTLE_S = 0.5  # the journal is forced to disk this often
POST_S = 1 / 60  # twice as often as a window paints, so that it always finds something new
STALL_S = 10.0  # without a sample
WAITING_S = 30.0  # of sound that may wait for the disk, at most
COPIES = 2  # of a take on disk while its sound file is made
SEEN = 16384  # newest frames for a meter
STEP_S = 0.5  # smallest step of the wall clock that is told
SILENT_S = 1.0
Samples = npt.NDArray[np.float32]
State = Literal["waiting", "recording", "paused", "ended"]


class Push(Protocol):
    """Takes (n, channels) or (n,) frames, int16 or float; `lost` frames are known to be missing before them. False: the take has ended.

    at_ns: when the last of them was taken, by the clock of `journal.clock_ns`, where the source knows it; else they are taken as fresh
    """

    def __call__(self, block: npt.NDArray[Any], lost: int = 0, why: str = "", at_ns: int | None = None) -> bool:
        """Copy the block and return at once."""


class Source(Protocol):
    """What delivers frames: a sound card, a serial port, a phone."""

    @property
    def form(self) -> Form:
        """What it delivers."""

    def start(self, push: Push) -> None:
        """Deliver from now on, from one thread. Raises UnreadableError."""

    def stop(self) -> None:
        """Deliver nothing any more once this has returned."""

    def trouble(self) -> str:
        """Say in a sentence why no more will come; "" while all is well."""


@dataclass(frozen=True, slots=True)
class Glance:
    """The newest of a running take.

    seconds: recorded; lost: frames; newest: (channels, n), SEEN of them
    peak, rms: (channels,) since the last one that was taken, and that was posted
    warning: what is wrong just now, else ""
    """

    state: State
    seconds: float
    lost: int
    peak: Samples
    rms: Samples
    newest: Samples
    warning: str = ""


@dataclass(frozen=True, slots=True)
class _Block:
    samples: Samples
    at_ns: int
    lost: int
    why: str


class Recorder:
    """Records one take from a source. See `Source` for what it asks of one.

    folder: where journal and file go; about: what it is a take of, kept with it
    length_s: ends by itself when so much was recorded, else on `stop`; trigger: what it waits for, else it begins at once
    patience_s: it ends when nothing came for so long (default: STALL_S)
    """

    def __init__(
        self,
        source: Source,
        folder: Path,
        *,
        about: Mapping[str, str] | None = None,
        length_s: float | None = None,
        trigger: Trigger | None = None,
        patience_s: float | None = None,
    ) -> None:
        self.form = source.form
        self.ended = ""
        self.done = threading.Event()
        self._source = source
        self._folder = folder
        self._about = dict(about or {})
        self._length = None if length_s is None else round(length_s * self.form.rate_hz)
        self._trigger = trigger
        self._patience_s = STALL_S if patience_s is None else patience_s
        self._before: deque[_Block] = deque()  # what the trigger may still want
        self._queue: queue.SimpleQueue[_Block | None] = queue.SimpleQueue()
        self._pushed = self._taken = self._overrun = 0
        self._paused = threading.Event()
        self._journal: Journal | None = None
        self._writer = threading.Thread(target=self._write, name="vibekit recorder", daemon=True)
        self._mailbox: deque[Glance] = deque(maxlen=1)
        self._frame = self._kept = self._lost = 0  # next frame of the stream, frames written, frames lost
        self._delivery = Delivery(self.form.rate_hz)
        self._missing = 0  # by the clock
        self._resumed = False  # frames were let go in a pause that no mark tells of yet
        self._moving = False  # some sample differed from the first
        self._first: Samples | None = None
        self._seen: deque[Samples] = deque()
        self._seen_frames = 0
        self._fresh: list[Samples] = []
        self._stop_why = ""

    def start(self) -> None:
        """Open the journal, then the source. Raises UnreadableError."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            self._check_room()
            self._journal = Journal(self._folder, self.form, self._about, datetime.now().astimezone())
        except UnreadableError:
            raise
        except OSError as error:
            why = error.strerror or error
            raise UnreadableError(f"{self._folder}: nothing can be written there ({why}); make room or choose another place") from None
        self._writer.start()
        try:
            self._source.start(self.push)
        except BaseException:
            self.stop("the source did not start")
            self._writer.join()
            self._journal.path.unlink(missing_ok=True)
            raise

    def _check_room(self) -> None:
        free, wanted = shutil.disk_usage(self._folder).free, COPIES * 4 * len(self.form.channels) * (self._length or 0)
        if free < wanted:
            raise UnreadableError(f"{self._folder}: {free / 1e6:.2g} MB are free there, the take needs {wanted / 1e6:.2g} MB; make room")

    def push(self, block: npt.NDArray[Any], lost: int = 0, why: str = "", at_ns: int | None = None) -> bool:
        """Take frames from the source, see `Push`. What comes while WAITING_S of sound wait for the disk is lost, and counted."""
        if self.done.is_set() or self._stop_why:
            return False
        at_ns = clock_ns() if at_ns is None else at_ns
        samples = np.array(block, dtype=np.float32).reshape(-1, len(self.form.channels))
        if block.dtype == np.int16:
            samples /= np.float32(32768)
        if self._pushed - self._taken + len(samples) > WAITING_S * self.form.rate_hz:
            self._overrun += lost + len(samples)
            return True
        if self._overrun:  # told before the next block that finds room
            lost, why, self._overrun = lost + self._overrun, "the disk was too slow", 0
        self._pushed += len(samples)
        self._queue.put(_Block(samples, at_ns, lost, why))
        return True

    def pause(self) -> None:
        """Keep nothing until `resume`."""
        self._paused.set()

    def resume(self) -> None:
        """Go on after a pause."""
        self._paused.clear()

    def stop(self, why: str = "stopped") -> None:
        """Ask the take to end; what was recorded is kept. Any thread may ask, more than once."""
        self._stop_why = self._stop_why or why
        self._queue.put(None)

    def glance(self) -> Glance | None:
        """Give the newest glance that was not taken yet, else None."""
        try:
            return self._mailbox.pop()
        except IndexError:
            return None

    def so_far(self) -> Samples:
        """Give what was recorded until now, (n, channels), read from the journal."""
        assert self._journal is not None
        channels = len(self.form.channels)
        blocks = [record.samples(channels) for record in records(self._journal.path) if record.kind == BLOCK]
        return np.concatenate([np.zeros((0, channels), np.float32), *blocks])

    def finish(self) -> Take:
        """End the take if it has not ended, and make its sound file. Raises UnreadableError when nothing came or no room is left."""
        self._source.stop()
        self.stop()
        self._writer.join()
        assert self._journal is not None
        return finish_journal(self._journal.path, self.ended)

    def _write(self) -> None:
        """What the writer thread does."""
        assert self._journal is not None
        try:
            self.ended = self._until_ended(self._journal)
            self._journal.mark(self._frame, what="ended", why=self.ended)
        except OSError as error:
            self.ended = f"the disk takes no more ({error.strerror or error})"
        except BaseException as error:
            self.ended = f"the recorder failed ({error!r})"
            raise
        finally:
            self._close()

    def _close(self) -> None:
        """Let go of the journal; whatever happens, the take has ended then."""
        assert self._journal is not None
        try:
            self._journal.close()
        except OSError as error:
            self.ended = f"the disk takes no more ({error.strerror or error})"
        try:
            self._missing = sum(loss.missing for loss in self._delivery.losses())
            self._post("ended")
        finally:
            self.done.set()

    def _until_ended(self, journal: Journal) -> str:
        """Write until something ends the take; say what."""
        settled = posted = heard = time.monotonic()
        wall = time.time_ns() - clock_ns()
        while True:
            try:
                block = self._queue.get(timeout=SETTLE_S / 2)
            except queue.Empty:
                block = None
            now = time.monotonic()
            if block is not None:
                heard = now
                self._taken += len(block.samples)
                if self._accept(journal, block):
                    return f"{self._kept / self.form.rate_hz:g} s are full"
            elif self._stop_why:
                return self._stop_why
            elif trouble := self._source.trouble():
                return trouble
            elif now - heard > self._patience_s:
                return f"nothing came from {self.form.source} for {self._patience_s:g} s"
            if now - settled > SETTLE_S:
                settled = now
                journal.settle()
                wall = self._watch(journal, wall)
            if now - posted > POST_S:
                posted = now
                self._post(self._state)

    @property
    def _state(self) -> State:
        return "paused" if self._paused.is_set() else "waiting" if self._trigger or not self._kept else "recording"

    def _accept(self, journal: Journal, block: _Block) -> bool:
        """Keep a block, or not yet; True when the take is full."""
        self._look(block.samples)
        if self._trigger:
            self._before.append(block)
            if not self._trigger.starts(block.samples, self.form.rate_hz):
                held = sum(len(b.samples) for b in self._before)
                while held - len(self._before[0].samples) > self._trigger.before_s * self.form.rate_hz:
                    held -= len(self._before.popleft().samples)
                return False
            self._trigger = None
            return any(self._put(journal, before) for before in self._before)
        return self._put(journal, block)

    def _put(self, journal: Journal, block: _Block) -> bool:
        if self._paused.is_set():
            if self._kept:
                self._resumed = True
                self._frame += block.lost + len(block.samples)
            return False
        if not self._kept:
            ago = timedelta(seconds=(clock_ns() - block.at_ns) / 1e9 + len(block.samples) / self.form.rate_hz)
            journal.mark(0, what="began", at=(datetime.now().astimezone() - ago).isoformat())
        elif block.lost:
            self._frame += block.lost
            self._lost += block.lost
            journal.mark(self._frame, what="lost", why=block.why or "lost on the way")
        elif block.why:
            journal.mark(self._frame, what="flag", why=block.why)
        if self._resumed:
            self._resumed = False
            journal.mark(self._frame, what="lost", why=PAUSED)
        samples = block.samples if self._length is None else block.samples[: self._length - self._kept]
        journal.block(self._frame, block.at_ns, samples)
        self._frame += len(samples)
        self._kept += len(samples)
        self._delivery.add(self._frame, len(samples), block.at_ns)
        return self._kept == self._length

    def _look(self, samples: Samples) -> None:
        """Remember the newest frames for the meter, and whether anything moves at all."""
        self._fresh.append(samples)
        self._seen.append(samples)
        self._seen_frames += len(samples)
        while self._seen_frames - len(self._seen[0]) >= SEEN:
            self._seen_frames -= len(self._seen.popleft())
        if self._first is None and len(samples):
            self._first = samples[0].copy()
        self._moving = self._moving or bool(np.any(samples != self._first))

    def _watch(self, journal: Journal, wall: int) -> int:
        """Once in a while: look for frames that never came, and for a step of the wall clock, since it tells when a take began."""
        self._missing = sum(loss.missing for loss in self._delivery.losses())
        now = time.time_ns() - clock_ns()
        if abs(now - wall) > STEP_S * 1e9:
            journal.mark(self._frame, what="clock", step_s=(now - wall) / 1e9)
        return now

    def _post(self, state: State) -> None:
        channels = len(self.form.channels)
        fresh = np.concatenate(self._fresh or [np.zeros((0, channels), np.float32)])
        self._fresh = []
        peak = np.max(np.abs(fresh), axis=0, initial=0.0)
        if (missed := self.glance()) is not None:
            peak = np.maximum(peak, missed.peak)
        rms = np.sqrt(np.mean(fresh**2, axis=0)) if len(fresh) else np.zeros(channels, np.float32)
        newest = np.concatenate(self._seen or [fresh])[-SEEN:].T
        warning = ""
        if not self._moving and self._frame > SILENT_S * self.form.rate_hz:
            warning = f"{self.form.source} gives {'only zeros' if self._first is None or not self._first.any() else 'one value only'}"
        self._mailbox.append(Glance(state, self._kept / self.form.rate_hz, self._lost + self._missing, peak, rms, newest, warning))
