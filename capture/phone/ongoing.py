"""A take from its start to what is said of it. It outlives the connection that began it: a phone that comes back goes on with it."""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibekit.capture.phone.plan import Delivery
from vibekit.errors import VibekitError

if TYPE_CHECKING:
    from vibekit.capture.phone.desk import Desk
    from vibekit.capture.phone.frame import Frame, Layout
    from vibekit.capture.phone.stream import Stream

RETURN_S = 180.0  # a phone keeps all that it recorded: one that comes later than this sends it anew


class Ongoing:
    """One take, begun by `begin`.

    name, first: as the phone calls it, and called it before it sent all of it anew
    position: the rotor chosen; frames: the number of the next frame
    cut: it was ended without the phone's word; beginnings: what came of the same recording and was cut
    """

    def __init__(self, desk: Desk, stream: Stream, name: str, first: str = "") -> None:
        self.name, self.first = name, first
        self.position = desk.plan.position(stream.position)
        self.frames = 0
        self.cut = False
        self.beginnings: tuple[Path, ...] = ()
        self._desk, self._take = desk, desk.take(stream, self.position)
        self._ended: asyncio.Task[dict[str, Any]] | None = None
        self._timer: asyncio.TimerHandle | None = None

    @property
    def layout(self) -> Layout:
        """Of its frames."""
        return self._take.layout

    @property
    def open(self) -> bool:
        """Whether frames may still come."""
        return self._ended is None

    async def begin(self) -> None:
        """Open its file. Raises UnreadableError when the disk does not take it."""
        await asyncio.to_thread(self._take.begin)

    def add(self, frame: Frame) -> bool:
        """Take a frame; False when no more are wanted. Raises UnreadableError for a frame that cannot be."""
        wanted = self._take.add(frame)
        self.frames = frame.number + 1
        return wanted

    def leave(self) -> None:
        """Wait for the phone to come back."""
        if self._desk.closing.is_set():
            return
        self._desk.tell(f"the connection to the phone broke; what came is safe, and it may come back within {RETURN_S / 60:.0f} min")
        self._timer = asyncio.get_running_loop().call_later(RETURN_S, self.end, None)

    def resume(self) -> None:
        """The phone is back."""
        self._desk.tell("the phone is back")
        if self._timer:
            self._timer.cancel()

    def end(self, frames: int | None) -> asyncio.Task[dict[str, Any]]:
        """End it, once, and have it judged; the task gives what is said to the page.

        frames: how many the phone made, None when it went without a word
        """
        if self._timer:
            self._timer.cancel()
        if self._ended is None:
            self.cut = frames is None
            self._ended = asyncio.create_task(self._judged(frames))
        return self._ended

    async def _judged(self, frames: int | None) -> dict[str, Any]:
        try:
            path, notes = await asyncio.to_thread(self._take.finish, frames)
            beginnings = self.beginnings
            if self.cut:
                self.beginnings = (*beginnings, path)
            answer = await self._desk.judged(Delivery(path, self.position, self._take.sensor, notes, () if self.cut else beginnings))
        except VibekitError as error:
            self._desk.tell(str(error))
            return {"type": "problem", "text": str(error)}
        finally:
            self._desk.end()
        return {"type": "answer", **answer.told()}
