"""Sources for the recorder that need no device: numbered frames, on a clock of their own or in real time."""

import threading
import time
from collections.abc import Callable, Iterable

import numpy as np

from vibekit.capture.recorder import Push
from vibekit.capture.take import Form
from vibekit.recording import Channel

RATE = 48_000
COUNT = 30_000


def numbered(first: int, n: int) -> np.ndarray:
    """(n, 2) int16 frames: a count from 1 to COUNT, and noise that is the same for the same frame."""
    frame = np.arange(first, first + n)
    return np.stack([frame % COUNT + 1, frame * 7919 % 65_521 - 32_760], axis=1).astype(np.int16)


def form(rate_hz: float = RATE, *, crystal: bool = True) -> Form:
    """A source of two channels."""
    return Form(rate_hz, (Channel(name="1"), Channel(name="2", role="tacho")), "an invented device", crystal=crystal)


class Clock:
    """A clock that stands where it is put: for streams that are played faster than they were made."""

    def __init__(self) -> None:
        self.now_ns = 1_000_000_000

    def __call__(self) -> int:
        return self.now_ns


class Stream:
    """Plays (time in s, block, lost, why) in its own thread; on a Clock at once, else in real time. Then it is unplugged."""

    def __init__(self, pieces: Iterable[tuple[float, np.ndarray, int, str]], clock: Clock | None = None, *, of: Form | None = None) -> None:
        self.form = of or form()
        self.pushed = 0
        self.between: Callable[[int], None] = lambda number: None
        self._pieces = pieces
        self._clock = clock
        self._bad = ""
        self._go = True

    def start(self, push: Push) -> None:
        self._thread = threading.Thread(target=self._play, args=(push,), daemon=True)
        self._thread.start()

    def _play(self, push: Push) -> None:
        began = time.monotonic()
        for number, (at, block, lost, why) in enumerate(self._pieces):
            self.between(number)
            if self._clock:
                self._clock.now_ns = 1_000_000_000 + round(at * 1e9)
            else:
                time.sleep(max(began + at - time.monotonic(), 0))
            if not self._go or not push(block, lost, why):
                return
            self.pushed += len(block)
        self._bad = "the invented device was unplugged"

    def stop(self) -> None:
        self._go = False
        self._thread.join()

    def trouble(self) -> str:
        return self._bad


def steady(seconds: float, block: int = 480, rate_hz: float = RATE) -> Iterable[tuple[float, np.ndarray, int, str]]:
    """Blocks that arrive when they are full."""
    for first in range(0, round(seconds * rate_hz), block):
        yield (first + block) / rate_hz, numbered(first, block), 0, ""


def first_of(frames: np.ndarray) -> int:
    """Which frame of the numbered stream stands first; all others must follow it."""
    possible = (first for first in range(int(frames[0, 0]) - 1, 1_000 * COUNT, COUNT) if numbered(first, 1)[0, 1] == frames[0, 1])
    first = next(possible)
    assert np.array_equal(frames, numbered(first, len(frames)))
    return first
