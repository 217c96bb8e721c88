"""Whether sound came whole: what was lost on the way, and time that went by without any."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from vibekit.capture.phone.frame import Frame
from vibekit.errors import UnreadableError

WINDOW_S = 0.4  # frames are held so long: a late one is told from a gap by those after it
LEAST_S = 0.005  # half of the 10 ms in which browsers take sound
NETWORK, BROWSER, STILL = "the network could not keep up", "the browser left samples out", "the phone took no sound"


@dataclass(frozen=True, slots=True)
class Piece:
    """Sound that follows on: samples (n,), lost: how many are missing before them, why: in words, "" when none are."""

    samples: npt.NDArray[np.float32]
    lost: int = 0
    why: str = ""


@dataclass(slots=True)
class Continuity:
    """Frames in, pieces out, held for WINDOW_S.

    rate_hz: of the phone; most_s: the longest gap that can be; frames: how many the phone has made so far, those not received included
    """

    rate_hz: float
    most_s: float
    frames: int = 0
    _rows: int = 0
    _held: deque[tuple[Piece, float]] = field(default_factory=deque)
    _before: deque[float] = field(default_factory=deque)

    def add(self, frame: Frame) -> Iterator[Piece]:
        """Take the next frame; give the pieces that are sure by now. Raises UnreadableError when it does not follow the one before."""
        lost = frame.first - self._rows
        if frame.number < self.frames or not 0 <= lost <= self.most_s * self.rate_hz:
            raise UnreadableError(f"frame {frame.number} from sample {frame.first} cannot follow frame {self.frames - 1}")
        why = "" if not lost else NETWORK if frame.number > self.frames else BROWSER
        self.frames = frame.number + 1
        self._rows = frame.first + len(frame.rows)
        late_s = frame.taken_ms / 1000 - frame.first / self.rate_hz
        self._held.append((Piece(frame.rows[:, 0].astype(np.float32, copy=False), lost, why), late_s))
        while sum(piece.samples.size for piece, _ in self._held) > WINDOW_S * self.rate_hz:
            yield self._oldest()

    def end(self) -> Iterator[Piece]:
        """Give the rest."""
        while self._held:
            yield self._oldest()

    def _oldest(self) -> Piece:
        """The frame held longest. When it and all after it are later than all before it, time went by without samples."""
        after = [late_s for _, late_s in self._held]
        piece, late_s = self._held.popleft()
        if self._before and min(after) - max(self._before) > LEAST_S:
            gap_s = min(float(np.median(after) - np.median(self._before)), self.most_s)
            piece = Piece(piece.samples, piece.lost + round(gap_s * self.rate_hz), piece.why or STILL)
            self._before.clear()
        self._before.append(late_s)
        while len(self._before) > len(after):
            self._before.popleft()
        return piece
