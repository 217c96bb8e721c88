"""Runs of exact zeros between sound: samples that a browser had not got and filled in."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from vibekit.capture.phone.numbering import Piece

LEAST = 128  # one block of the Web Audio API (W3C Recommendation 2021: render quantum)
MOST_S = 1.0  # longer silence is a muted microphone and stays as it is
WHY = "the browser gave zeros"


@dataclass(slots=True)
class ZeroRuns:
    """Pieces in, pieces out: a run of LEAST zeros and more with sound on either side becomes lost samples."""

    rate_hz: float
    _open: int = 0
    _heard: bool = False

    def cut(self, piece: Piece) -> Iterator[Piece]:
        """Give what is sure of a piece by now; zeros at its end wait for what follows them."""
        lost, why, start = piece.lost, piece.why, 0
        sound = np.flatnonzero(piece.samples)
        if lost:
            yield from self.end()
        if not sound.size:
            self._open += piece.samples.size
            if lost or self._open > MOST_S * self.rate_hz:
                yield from self.end(lost, why)
            return
        if self._heard and self._open + sound[0] >= LEAST:
            lost, why, start = self._open + int(sound[0]), WHY, int(sound[0])
        else:
            yield from self.end()
        for i in np.flatnonzero(np.diff(sound) > LEAST):
            yield Piece(piece.samples[start : sound[i] + 1], lost, why)
            lost, why, start = int(sound[i + 1] - sound[i] - 1), WHY, int(sound[i + 1])
        yield Piece(piece.samples[start : sound[-1] + 1], lost, why)
        self._heard, self._open = True, piece.samples.size - 1 - int(sound[-1])

    def end(self, lost: int = 0, why: str = "") -> Iterator[Piece]:
        """Give zeros that no sound followed as the samples that they are. lost, why: of what is missing before them."""
        if self._open:
            yield Piece(np.zeros(self._open, np.float32), lost, why)
        self._open, self._heard = 0, False
