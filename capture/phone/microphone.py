"""A phone's microphone as a source of the recorder."""

from collections.abc import Callable, Iterator

from vibekit.capture.phone.continuity import Continuity, Piece
from vibekit.capture.phone.frame import Frame
from vibekit.capture.phone.limits import AHEAD_S, MOST_TAKE_S, Pace
from vibekit.capture.phone.stream import Stream
from vibekit.capture.phone.zeros import ZeroRuns
from vibekit.capture.take import Form
from vibekit.errors import UnreadableError
from vibekit.recording import Channel

Push = Callable[..., bool]


class PhoneMicrophone:
    """What the frames of one stream become: pieces in order, with what is missing between them."""

    def __init__(self, stream: Stream) -> None:
        source = f"microphone of a phone, by its browser from {stream.way}"
        self.form = Form(stream.rate_hz, (Channel(name="phone"),), source, "microphone", stream.processed)
        self._continuity = Continuity(stream.rate_hz, MOST_TAKE_S)
        self._zeros = ZeroRuns(stream.rate_hz)
        self._pace = Pace(stream.rate_hz * 1.05, stream.rate_hz * AHEAD_S)
        self._push: Push | None = None

    def start(self, push: Push) -> None:
        """Hand everything to `push` from now on."""
        self._push = push

    def stop(self) -> None:
        """Hand nothing over any more."""
        self._push = None

    def trouble(self) -> str:
        """Nothing: who feeds the frames in says when they end."""
        return ""

    def receive(self, frame: Frame) -> bool:
        """Take a frame; False when no more are wanted. Raises UnreadableError for one that cannot follow, or comes too early."""
        if not self._pace.allows(len(frame.rows)):
            raise UnreadableError("sound came faster than it can have been taken")
        return self._give(self._continuity.add(frame))

    def end(self, frames: int | None) -> str:
        """Hand over what was held. frames: how many the phone made, None when it went without a word. Give what is missing at the end."""
        self._give(self._continuity.end())
        for piece in self._zeros.end():
            self._hand_over(piece)
        lost = 0 if frames is None else frames - self._continuity.frames
        return f"The last {lost} frames that the phone made did not arrive." if lost > 0 else ""

    def _give(self, pieces: Iterator[Piece]) -> bool:
        wanted = self._push is not None
        for piece in pieces:
            for cut in self._zeros.cut(piece):
                wanted = self._hand_over(cut)
        return wanted

    def _hand_over(self, piece: Piece) -> bool:
        return self._push is not None and self._push(piece.samples, piece.lost, piece.why)
