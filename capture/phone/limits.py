"""How much one phone may ask and send."""

import time
from dataclasses import dataclass, field

MOST_TEXT = 4096  # bytes of one message that is no frame
MOST_TAKE_S = 900.0
MOST_UPLOAD = 1 << 30  # bytes of one file
MOST_TOTAL = 4 << 30  # bytes in all
SPARE_DISK = 1 << 30
MOST_CONNECTIONS = 32
QUESTIONS = (20.0, 60)  # requests a second in the long run, and at once
MESSAGES = (120.0, 600)  # a track gives 100 blocks of 10 ms a second, and a page that was held up sends what it kept
AHEAD_S = 30.0  # sound that may arrive faster than it can have been taken: what a page holds before its first frame gets through


@dataclass(slots=True)
class Pace:
    """A bucket that fills at `a_second` up to `at_once`, from `first` (full when None); each thing let through takes one out."""

    a_second: float
    at_once: float
    first: float | None = None
    _level: float = field(init=False)
    _at: float = field(init=False)

    def __post_init__(self) -> None:
        self._level, self._at = self.at_once if self.first is None else self.first, time.monotonic()

    def allows(self, amount: float = 1.0) -> bool:
        """Take `amount` out and say whether it was there."""
        now = time.monotonic()
        self._level = min(self.at_once, self._level + (now - self._at) * self.a_second)
        self._at = now
        if self._level < amount:
            return False
        self._level -= amount
        return True
