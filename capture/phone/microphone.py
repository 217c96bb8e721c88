"""A phone's microphone as a source of the recorder."""

from collections.abc import Iterable

from vibekit.capture.journal import clock_ns
from vibekit.capture.phone.frame import Frame
from vibekit.capture.phone.limits import AHEAD_S, MOST_TAKE_S, Pace
from vibekit.capture.phone.numbering import Numbering, Piece
from vibekit.capture.phone.stream import Stream
from vibekit.capture.phone.zeros import ZeroRuns
from vibekit.capture.recorder import Push
from vibekit.capture.take import Form
from vibekit.errors import UnreadableError
from vibekit.recording import Channel

LONGEST_NS = 24 * 3600 * 10**9  # between the first frame and the last


class PhoneMicrophone:
    """What the frames of one stream become: sound in order, with what is missing before it and when it was taken by the phone's clock.

    Time that went by on that clock without any sound, since the phone slept or was busy, is for the recorder to see.
    """

    def __init__(self, stream: Stream) -> None:
        source = f"microphone of a phone, by its browser from {stream.way}"
        self.form = Form(stream.rate_hz, (Channel(name="phone"),), source, "microphone", stream.processed)
        self._numbering = Numbering(MOST_TAKE_S * stream.rate_hz)
        self._zeros = ZeroRuns(stream.rate_hz)
        self._pace = Pace(stream.rate_hz * 1.05, stream.rate_hz * MOST_TAKE_S, stream.rate_hz * AHEAD_S)  # all that an absence held up
        self._push: Push | None = None
        self._ahead_ns: int | None = None  # of our clock, of the phone's
        self._first_ns = self._at_ns = 0

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
        piece = self._numbering.next(frame)
        taken_ns = round(frame.taken_ms * 1e6 + len(frame.rows) / self.form.rate_hz * 1e9)
        if self._ahead_ns is None:
            self._ahead_ns = clock_ns() - taken_ns
            self._first_ns = taken_ns
        if not -LONGEST_NS < taken_ns - self._first_ns < LONGEST_NS:
            raise UnreadableError("the phone's clock was set in between")
        self._at_ns = self._ahead_ns + taken_ns
        return self._give(self._zeros.cut(piece))

    def end(self, frames: int | None) -> str:
        """Hand over what was held. frames: how many the phone made, None when it went without a word. Give what is missing at the end."""
        self._give(self._zeros.end())
        lost = 0 if frames is None else frames - self._numbering.frames
        return f"The last {lost} frames that the phone made did not arrive." if lost > 0 else ""

    def _give(self, pieces: Iterable[Piece]) -> bool:
        wanted = self._push is not None
        for piece in pieces:
            wanted = self._push is not None and self._push(piece.samples, piece.lost, piece.why, self._at_ns)
        return wanted
