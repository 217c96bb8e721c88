"""The conversation with the page over its WebSocket: takes, one after the other, and what they say."""

from __future__ import annotations

import asyncio
import json
from typing import TYPE_CHECKING, Any

from aiohttp import WSMessage, WSMsgType, web

from vibekit.capture.phone.frame import MOST_BYTES, read_frame
from vibekit.capture.phone.limits import MESSAGES, MOST_TEXT, Pace
from vibekit.capture.phone.plan import Delivery
from vibekit.capture.phone.stream import Stream, read_stream
from vibekit.errors import UnreadableError, VibekitError

if TYPE_CHECKING:
    from vibekit.capture.phone.desk import Desk
    from vibekit.capture.phone.take import PhoneTake

HEARTBEAT_S = 10.0
GOING, REFUSED = 1001, 1008  # RFC 6455, section 7.4.1: going away, policy violation


class Talk:
    """One conversation. It ends with the connection; a take that is under way is then kept as far as it came."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._socket = web.WebSocketResponse(max_msg_size=MOST_BYTES, compress=False, heartbeat=HEARTBEAT_S)
        self._pace = Pace(*MESSAGES)
        self._take: PhoneTake | None = None
        self._position: str | None = None
        self._full = False
        self._over = asyncio.Event()

    async def hold(self, request: web.Request) -> web.WebSocketResponse:
        """Talk until the connection ends."""
        try:
            await self._socket.prepare(request)
            async for message in self._socket:
                await self._heard(message)
        except UnreadableError as error:
            self._desk.tell(f"what the phone sent was refused: {error}")
            await self._socket.close(code=REFUSED, message=str(error).encode()[:120])
        finally:
            try:
                await self._finish(None)
            finally:
                self._over.set()
        return self._socket

    async def leave(self) -> None:
        """Hang up, and wait until what was under way is kept."""
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

    async def _frame(self, data: bytes) -> None:
        self._desk.spend(len(data))
        if self._take is None:
            if self._full:
                return  # on its way when the take was full
            raise UnreadableError("a frame outside any take")
        if not self._take.add(read_frame(data, self._take.layout)) and not self._full:
            self._full = True
            await self._say("enough")

    async def _word(self, said: dict[str, Any]) -> None:
        match said.get("type"):
            case "start":
                await self._start(read_stream(said, max(len(self._desk.plan.positions), 1)))
            case "end":
                frames = said.get("frames")
                if isinstance(frames, bool) or not isinstance(frames, int) or not 0 <= frames < 1 << 32:
                    raise UnreadableError("an end without a number of frames")
                await self._finish(frames)
            case "bye":
                self._desk.close("the phone is done")
            case _:
                raise UnreadableError("a message of another form")

    async def _start(self, stream: Stream) -> None:
        if self._take is not None:
            raise UnreadableError("a take within a take")
        if stream.kind == "motion" and not self._desk.plan.motion:
            raise UnreadableError("the motion sensor was not offered")
        if not self._desk.begin():
            await self._say("problem", text="Another recording is still being looked at; wait for it.")
            return
        self._position = self._desk.plan.position(stream.position)
        take = self._desk.take(stream, self._position)
        try:
            await asyncio.to_thread(take.begin)
        except VibekitError as error:
            self._desk.end()
            await self._say("problem", text=str(error))
            return
        self._take, self._full = take, False
        where = f" of {self._position}" if self._position else ""
        done = f"; marked as processed: {', '.join(stream.processed)}" if stream.processed else ""
        self._desk.tell(f"recording {stream.kind}{where}{done}")
        await self._say("go")

    async def _finish(self, frames: int | None) -> None:
        """End the take that is under way and say what it says. frames: how many the phone made, None when the connection broke."""
        take, self._take = self._take, None
        if take is None:
            return
        self._full = True
        try:
            await self._say("judging")
            path, notes = await asyncio.to_thread(take.finish, frames)
            answer = await self._desk.judged(Delivery(path, self._position, take.sensor, notes))
            await self._say("answer", **answer.told())
        except VibekitError as error:
            self._desk.tell(str(error))
            await self._say("problem", text=str(error))
        finally:
            self._desk.end()

    async def _say(self, kind: str, **more: Any) -> None:
        if not self._socket.closed:
            try:
                await self._socket.send_json({"type": kind, **more})
            except ConnectionError:
                self._desk.tell("the phone is gone")


def _read(text: str) -> dict[str, Any]:
    """A message as the object that it must be. Raises UnreadableError."""
    try:
        said = json.loads(text) if len(text) <= MOST_TEXT else None
    except (ValueError, RecursionError):
        said = None
    if not isinstance(said, dict):
        raise UnreadableError("a message of another form")
    return said
