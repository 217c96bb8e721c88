"""The conversation with the page over its WebSocket: takes, one after the other, and what they say."""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from typing import TYPE_CHECKING, Any

from aiohttp import WebSocketError, WSMessage, WSMsgType, web

from vibekit.capture.phone.frame import MOST_BYTES, read_frame
from vibekit.capture.phone.limits import MESSAGES, MOST_TEXT, Pace
from vibekit.capture.phone.ongoing import Ongoing
from vibekit.capture.phone.stream import Stream, read_stream
from vibekit.errors import UnreadableError, VibekitError

if TYPE_CHECKING:
    from vibekit.capture.phone.desk import Desk

HEARTBEAT_S = 10.0
SIGN_OF_LIFE_S = 1.0  # between words while something is under way, by which the page knows that the network is there
GOODBYE_S = 2.0  # for a line that is gone to say that it closes
GOING, BROKEN, REFUSED = 1001, 1006, 1008  # RFC 6455, section 7.4.1: going away, closed abnormally, policy violation
LONGEST_NAME = 64


class Talk:
    """One conversation. A take that is under way when its connection breaks waits for the phone; when the page was closed, it ends."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._socket = web.WebSocketResponse(max_msg_size=MOST_BYTES, compress=False, heartbeat=HEARTBEAT_S, timeout=GOODBYE_S)
        self._pace = Pace(*MESSAGES)
        self._take: Ongoing | None = None
        self._concluding: asyncio.Task[None] | None = None
        self._full = False
        self._sent_off = False
        self._life = 0.0
        self._over = asyncio.Event()

    async def hold(self, request: web.Request) -> web.WebSocketResponse:
        """Talk until the connection ends."""
        refused = False
        try:
            await self._socket.prepare(request)
            async for message in self._socket:
                await self._heard(message)
        except UnreadableError as error:
            refused = True
            self._desk.tell(f"what the phone sent was refused: {error}")
            await self._socket.close(code=REFUSED, message=str(error).encode()[:120])
        finally:
            self._part(refused)
            self._over.set()
        return self._socket

    def _part(self, refused: bool) -> None:
        take, self._take = self._take, None
        if take is None or not take.open:
            return
        if not refused and (self._sent_off or self._socket.close_code in (None, BROKEN)):
            take.leave()
        else:
            take.end(None)

    async def leave(self) -> None:
        """Hang up; a take that is under way waits for the phone."""
        self._sent_off = True
        if self._socket.prepared:
            await self._socket.close(code=GOING)
        await self._over.wait()

    async def _heard(self, message: WSMessage) -> None:
        if not self._pace.allows():
            raise UnreadableError("too many messages at once")
        if message.type == WSMsgType.BINARY:
            await self._frame(message.data)
        elif message.type == WSMsgType.TEXT:
            await self._word(_read(message.data))
        elif message.type == WSMsgType.ERROR and isinstance(message.data, WebSocketError):
            raise UnreadableError(str(message.data))

    async def _frame(self, data: bytes) -> None:
        self._desk.spend(len(data))
        if self._take is None:
            if self._full:
                return  # on its way when the take was full
            raise UnreadableError("a frame outside any take")
        if not self._take.add(read_frame(data, self._take.layout)) and not self._full:
            self._full = True
            await self._say("enough")
        if time.monotonic() - self._life > SIGN_OF_LIFE_S:
            self._life = time.monotonic()
            await self._say("have", frames=self._take.frames)

    async def _word(self, said: dict[str, Any]) -> None:
        match said.get("type"):
            case "start":
                await self._start(read_stream(said, max(len(self._desk.plan.positions), 1)), _name(said), _name(said, "first"))
            case "resume":
                await self._resume(_name(said))
            case "end":
                frames = said.get("frames")
                if isinstance(frames, bool) or not isinstance(frames, int) or not 0 <= frames < 1 << 32:
                    raise UnreadableError("an end without a number of frames")
                self._finish(frames)
            case "bye":
                self._desk.close("the phone is done")
            case _:
                raise UnreadableError("a message of another form")

    async def _start(self, stream: Stream, name: str, first: str) -> None:
        if self._take is not None:
            raise UnreadableError("a take within a take")
        if stream.kind == "motion" and not self._desk.plan.motion:
            raise UnreadableError("the motion sensor was not offered")
        before = self._desk.ongoing
        if before and before.open:
            await before.end(None)
        if not self._desk.begin():
            await self._say("problem", text="Another recording is still being looked at; wait for it.")
            return
        take = Ongoing(self._desk, stream, name, first)
        if before and first and before.first == first:
            take.beginnings = before.beginnings
        try:
            await take.begin()
        except VibekitError as error:
            self._desk.end()
            await self._say("problem", text=str(error))
            return
        self._take = self._desk.ongoing = take
        self._full, self._life = False, time.monotonic()
        where = f" of {take.position}" if take.position else ""
        done = f"; marked as processed: {', '.join(stream.processed)}" if stream.processed else ""
        self._desk.tell(f"recording {stream.kind}{where}{done}")
        await self._say("go")

    async def _resume(self, name: str) -> None:
        """Go on with a take whose connection broke, wherever it stands."""
        if self._take is not None:
            raise UnreadableError("a take within a take")
        take = self._desk.ongoing
        if take and take.name == name and take.open:
            take.resume()
            self._take, self._full, self._life = take, False, time.monotonic()
            await self._say("have", frames=take.frames)
        elif take and take.name == name and not take.cut:
            self._take = take
            self._finish(take.frames)
        else:
            if take and take.name == name:
                await take.end(None)  # it is being judged; then the whole of it may come
            await self._say("gone")

    def _finish(self, frames: int) -> None:
        """End the take that is under way, and say what it says once that is known."""
        take, self._take = self._take, None
        if take is not None:
            self._full = True
            self._concluding = asyncio.create_task(self._conclude(take.end(frames)))

    async def _conclude(self, judged: asyncio.Task[dict[str, Any]]) -> None:
        while True:
            await self._say("judging")
            await asyncio.wait([judged], timeout=SIGN_OF_LIFE_S)
            if judged.done():
                break
        await self._say(**judged.result())

    async def _say(self, type: str, **more: Any) -> None:
        if not self._socket.closed:
            with contextlib.suppress(ConnectionError):  # whoever reads from the line sees it, too
                await self._socket.send_json({"type": type, **more})


def _read(text: str) -> dict[str, Any]:
    """A message as the object that it must be. Raises UnreadableError."""
    try:
        said = json.loads(text) if len(text) <= MOST_TEXT else None
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict):
        raise UnreadableError("a message of another form")
    return said


def _name(said: dict[str, Any], which: str = "take") -> str:
    """How the phone calls its take, or called it first, before it sent all of it anew. Raises UnreadableError."""
    name = said.get(which, "")
    if not isinstance(name, str) or len(name) > LONGEST_NAME:
        raise UnreadableError("a take without a name")
    return name
