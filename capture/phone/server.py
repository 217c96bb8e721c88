"""The server: TLS only, one address, one phone, and gone after use."""

import asyncio
import contextlib
import json
import logging
import socket
import ssl
import time
from typing import Any
from weakref import WeakSet

from aiohttp import web

from vibekit.capture.phone.address import Link, bound, host_of
from vibekit.capture.phone.certificate import make_certificate
from vibekit.capture.phone.desk import Desk
from vibekit.capture.phone.door import Door
from vibekit.capture.phone.limits import MOST_CONNECTIONS, MOST_TEXT, QUESTIONS, Pace
from vibekit.capture.phone.page import page_routes, security_headers
from vibekit.capture.phone.talk import Talk
from vibekit.capture.phone.upload import receive

PASS = "__Host-vibekit"  # the prefix binds the cookie to this address and to TLS (RFC 6265bis, section 4.1.3)
HANDSHAKE_S, GOODBYE_S = 10.0, 1.0
LEAVE_S, LINGER_S, LOOK_S = 20.0, 1.0, 0.05
Handler = Any

_quiet = logging.getLogger("vibekit.phone")  # what strangers send is no news for the user's terminal
_quiet.addHandler(logging.NullHandler())
_quiet.propagate = False


class PhoneServer:
    """A server for one phone; it listens from its making until `serve` ends. Raises UsageError when it cannot listen there."""

    def __init__(self, desk: Desk, address: str, port: int = 0) -> None:
        self._desk = desk
        self._listener = bound(address, port)
        self._host = host_of(self._listener)
        self._certificate = make_certificate(address)
        self._door = Door()
        self._pace = Pace(*QUESTIONS)
        self._talk: Talk | None = None
        self._lines: WeakSet[socket.socket] = WeakSet()
        self._transports: WeakSet[asyncio.Transport] = WeakSet()
        self.link = Link(f"https://{self._host}/#{self._door.token}", self._certificate.fingerprint)

    async def serve(self, wait_s: float) -> None:
        """Serve until the phone says that it is done, or does nothing for `wait_s`."""
        runner = web.AppRunner(self._app(), access_log=None, logger=_quiet, shutdown_timeout=LEAVE_S, lingering_time=LINGER_S)
        await runner.setup()
        assert runner.server is not None
        entrance = asyncio.create_task(self._accept(runner.server))
        try:
            await self._until_done(wait_s)
        finally:
            self._desk.closing.set()  # nobody is waited for any more
            entrance.cancel()
            await asyncio.wait([entrance])
            self._listener.close()
            if self._talk:
                await self._talk.leave()
            await self._desk.settle()
            await runner.cleanup()
            await self._hang_up()

    async def _hang_up(self) -> None:
        """Cut what is still connected, and wait until it is."""
        for transport in self._transports:
            with contextlib.suppress(AttributeError):  # Python 3.11.2 cannot abort what has hung up already
                transport.abort()
        until = time.monotonic() + LEAVE_S
        while any(line.fileno() >= 0 for line in self._lines) and time.monotonic() < until:
            await asyncio.sleep(0)

    async def _accept(self, server: web.Server) -> None:
        """Let connections in; what is more than MOST_CONNECTIONS, greetings under way included, is hung up."""
        context = self._certificate.context()
        loop = asyncio.get_running_loop()
        async with asyncio.TaskGroup() as greetings:
            greeting: set[asyncio.Task[None]] = set()
            while True:
                try:
                    line, _ = await loop.sock_accept(self._listener)
                except OSError:  # no more files can be opened just now
                    await asyncio.sleep(LOOK_S)
                    continue
                if len(greeting) + len(server.connections) >= MOST_CONNECTIONS:
                    line.close()
                    continue
                self._lines.add(line)
                task = greetings.create_task(self._greet(line, server, context))
                greeting.add(task)
                task.add_done_callback(greeting.discard)

    async def _greet(self, line: socket.socket, server: web.Server, context: ssl.SSLContext) -> None:
        """Agree on TLS, or hang up."""
        loop = asyncio.get_running_loop()
        with contextlib.suppress(OSError):
            transport, _ = await loop.connect_accepted_socket(
                server, line, ssl=context, ssl_handshake_timeout=HANDSHAKE_S, ssl_shutdown_timeout=GOODBYE_S
            )
            self._transports.add(transport)

    async def _until_done(self, wait_s: float) -> None:
        while not self._desk.closing.is_set():
            if not self._desk.busy and time.monotonic() - self._desk.seen > wait_s:
                self._desk.close(f"nothing came from a phone for {wait_s / 60:.0f} min")
            await asyncio.sleep(LOOK_S)

    def _app(self) -> web.Application:
        app = web.Application(middlewares=[self._guard], client_max_size=MOST_TEXT)
        app.on_response_prepare.append(self._add_headers)
        app.add_routes([*page_routes(), web.post("/join", self._join), web.post("/file", self._file), web.get("/talk", self._hold)])
        return app

    async def _add_headers(self, request: web.Request, response: web.StreamResponse) -> None:
        response.headers.update(security_headers(self._host))

    @web.middleware
    async def _guard(self, request: web.Request, handler: Handler) -> web.StreamResponse:
        """Refuse what comes too often, under another name, from another page, or without the pass."""
        if not self._pace.allows():
            raise web.HTTPTooManyRequests
        if request.host != self._host:
            raise web.HTTPMisdirectedRequest
        resource = request.match_info.route.resource
        if resource is not None and resource.canonical in ("/join", "/file", "/talk"):
            if request.headers.get("Origin") != f"https://{self._host}":
                raise web.HTTPForbidden
            if resource.canonical != "/join" and not self._knows(request):
                raise web.HTTPForbidden
        response: web.StreamResponse = await handler(request)
        return response

    def _knows(self, request: web.Request) -> bool:
        return self._door.knows(request.cookies.get(PASS, ""))

    async def _join(self, request: web.Request) -> web.Response:
        """Let the first phone in, and tell it what is asked for; a page that is loaded again shows its pass."""
        if self._knows(request):
            return web.json_response(self._desk.plan.told())
        try:
            said = json.loads(await request.text())
            token = said["token"] if isinstance(said, dict) else None
        except (ValueError, KeyError, RecursionError):
            token = None
        if not isinstance(token, str):
            raise web.HTTPBadRequest
        entry, given = self._door.enter(token)
        if entry == "wrong":
            self._desk.tell("someone came with a wrong token and was refused")
            raise web.HTTPForbidden
        if entry == "used":
            self._desk.tell("a second phone came and was refused; start again to use another")
            raise web.HTTPConflict
        self._desk.seen = time.monotonic()
        self._desk.tell("a phone is connected")
        response = web.json_response(self._desk.plan.told())
        response.set_cookie(PASS, given, secure=True, httponly=True, samesite="Strict", path="/")
        return response

    async def _file(self, request: web.Request) -> web.Response:
        return await receive(request, self._desk)

    async def _hold(self, request: web.Request) -> web.WebSocketResponse:
        """Talk with the page; the newest conversation is the one that counts."""
        before, self._talk = self._talk, Talk(self._desk)
        talk = self._talk
        if before:
            await before.leave()
        return await talk.hold(request)
