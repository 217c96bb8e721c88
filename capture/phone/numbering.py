"""Which samples a stream of numbered frames lacks."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.capture.phone.frame import Frame
from vibekit.errors import UnreadableError

NETWORK, BROWSER = "the network could not keep up", "the browser left samples out"


@dataclass(frozen=True, slots=True)
class Piece:
    """Sound that follows on: samples (n,), lost: how many are missing before them, why: in words, "" when none are."""

    samples: npt.NDArray[np.float32]
    lost: int = 0
    why: str = ""


@dataclass(slots=True)
class Numbering:
    """Frames in order. most: samples that may be missing at once; frames: how many the phone made so far, those not received included."""

    most: float
    frames: int = 0
    _samples: int = 0

    def next(self, frame: Frame) -> Piece:
        """Give what a frame holds. Raises UnreadableError when it cannot follow the one before."""
        lost = frame.first - self._samples
        if frame.number < self.frames or not 0 <= lost <= self.most:
            raise UnreadableError(f"frame {frame.number} from sample {frame.first} cannot follow frame {self.frames - 1}")
        why = "" if not lost else NETWORK if frame.number > self.frames else BROWSER
        self.frames = frame.number + 1
        self._samples = frame.first + len(frame.rows)
        return Piece(frame.rows[:, 0].astype(np.float32, copy=False), lost, why)
