"""Long work beside the window: it reports progress, can be cancelled, and the newest of its kind wins."""

import traceback
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from typing import Any, TypeVar

from PySide6.QtCore import QObject, Qt, Signal, Slot

from vibekit.errors import VibekitError
from vibekit.gui.steps import Step, StoppedError

T = TypeVar("T")
THREADS = 2


@dataclass(frozen=True, slots=True)
class _Told:
    """What a thread has to say: how far it is, what it found, or why it failed."""

    job: "_Job"
    share: float = 0.0
    words: str = ""
    result: Any = None
    ended: bool = False
    error: str = ""


class _Job:
    def __init__(
        self,
        what: str,
        work: Callable[[Step], Any],
        done: Callable[[Any], None],
        failed: Callable[[str], None],
        tell: Callable[[_Told], None],
        needed: bool,
    ) -> None:
        self.what, self.work, self.done, self.failed, self.tell = what, work, done, failed, tell
        self.needed, self.stopped = needed, False

    def run(self) -> None:
        """Work; whatever goes wrong is told, never raised in the thread."""
        if self.stopped:
            return
        try:
            result = self.work(self._step)
        except StoppedError:
            self.tell(_Told(self, ended=True))
        except VibekitError as error:
            self.tell(_Told(self, ended=True, error=str(error)))
        except Exception as error:  # a fault of the kit must not take the window or a recording with it
            traceback.print_exc()
            self.tell(_Told(self, ended=True, error=f"the kit failed ({type(error).__name__}: {error}); nothing that was recorded is lost"))
        else:
            self.tell(_Told(self, 1.0, result=result, ended=True))

    def _step(self, share: float, words: str) -> None:
        if self.stopped:
            raise StoppedError
        self.tell(_Told(self, share, words))


class Workers(QObject):
    """Runs long work in a few threads.

    progressed: (share done, what is being done); failed: one line; idle: nothing is under way any more
    """

    progressed = Signal(float, str)
    failed = Signal(str)
    idle = Signal()
    _told = Signal(object)

    def __init__(self, parent: QObject | None = None) -> None:
        super().__init__(parent)
        # no QThreadPool: it keeps every runnable of Python for ever, and with it the sound that was looked at
        self._pool = ThreadPoolExecutor(THREADS, "vibekit work")
        self._futures: set[Future[None]] = set()
        self._under_way: dict[str, _Job] = {}
        self._told.connect(self._hear, Qt.ConnectionType.QueuedConnection)

    @property
    def busy(self) -> bool:
        """Work is under way whose result is waited for."""
        return bool(self._under_way)

    def under_way(self, what: str) -> bool:
        """Work of this kind is under way."""
        return what in self._under_way

    def start(
        self,
        what: str,
        work: Callable[[Step], T],
        done: Callable[[T], None],
        failed: Callable[[str], None] | None = None,
        *,
        needed: bool = False,
    ) -> None:
        """Run `work` in a thread, then `done` with its result in this one, or `failed` with one line.

        Older work of the same `what` is cancelled and forgotten. What fails is told by the signal `failed` where no function is given.
        needed: `cancel` of everything leaves it alone, for somebody waits for it who would never hear.
        """
        self.cancel(what)
        job = _Job(what, work, done, failed or self.failed.emit, self._told.emit, needed)
        self._under_way[what] = job
        future = self._pool.submit(job.run)
        self._futures.add(future)
        future.add_done_callback(self._futures.discard)

    def cancel(self, what: str | None = None) -> None:
        """Cancel the work of this kind, or all that is not needed; its result will not be used."""
        for name in [what] if what is not None else [name for name, job in self._under_way.items() if not job.needed]:
            if job := self._under_way.pop(name, None):
                job.stopped = True
        if not self._under_way:
            self.idle.emit()

    def finish(self, wait_ms: int = 10_000) -> bool:
        """Cancel everything and wait for the threads; False when one is still at work after the wait."""
        for name in list(self._under_way):
            self.cancel(name)
        return not wait(tuple(self._futures), wait_ms / 1000).not_done

    @Slot(object)
    def _hear(self, told: _Told) -> None:
        job = told.job
        if self._under_way.get(job.what) is not job:
            return
        if not told.ended:
            self.progressed.emit(told.share, told.words)
            return
        del self._under_way[job.what]
        if not self._under_way:
            self.idle.emit()
        if told.error:
            job.failed(told.error)
        elif told.share == 1.0:
            job.done(told.result)
