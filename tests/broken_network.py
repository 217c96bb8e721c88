"""A network between a browser and the kit that can stand still, break, and come back: a proxy that does as it is told."""

import asyncio
import contextlib
import threading

LOST = ("data:", "WebSocket connection to")  # what a browser says of a network that is gone


class Network:
    """Passes CONNECT on (RFC 9110, section 9.3.6). still: nothing gets through; away: nothing connects; `cut` breaks what is connected."""

    def __init__(self):
        self.still = self.away = False
        self._lines = []
        self._loop = asyncio.new_event_loop()
        self._over = asyncio.Event()
        self._ready = threading.Event()
        self._thread = threading.Thread(target=self._loop.run_until_complete, args=(self._run(),))
        self._thread.start()
        self._ready.wait()

    @property
    def options(self):
        """For a browser's context."""
        return {"proxy": {"server": f"http://127.0.0.1:{self.port}", "bypass": "<-loopback>"}, "allowed": LOST}

    def cut(self):
        self._loop.call_soon_threadsafe(self._cut)

    def leave(self):
        """Break, and stay away."""
        self.away = True
        self.cut()

    def close(self):
        self._loop.call_soon_threadsafe(self._over.set)
        self._thread.join()
        self._loop.close()

    async def _run(self):
        server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        self._ready.set()
        await self._over.wait()
        server.close()
        self._cut()
        while len(asyncio.all_tasks()) > 1:
            await asyncio.sleep(0.01)

    def _cut(self):
        for line in self._lines:
            line.transport.abort()
        self._lines.clear()

    async def _serve(self, reader, writer):
        with contextlib.suppress(asyncio.IncompleteReadError, OSError, ValueError):
            where = (await reader.readuntil(b"\r\n\r\n")).split()[1].decode()
            host, _, port = where.rpartition(":")
            if host == "127.0.0.1" and not self.away:
                far_reader, far_writer = await asyncio.open_connection(host, int(port))
                writer.write(b"HTTP/1.1 200 OK\r\n\r\n")
                self._lines += [writer, far_writer]
                await asyncio.gather(self._pass(reader, far_writer), self._pass(far_reader, writer))
        writer.transport.abort()

    async def _pass(self, reader, writer):
        with contextlib.suppress(OSError):
            while data := await reader.read(1 << 16):
                while self.still and not self._over.is_set():
                    await asyncio.sleep(0.02)
                writer.write(data)
                await writer.drain()
        writer.transport.abort()
