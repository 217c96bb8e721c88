"""A phone server at work in a thread of its own, and a phone made of a plain client that says what it likes."""

import asyncio
import contextlib
import ssl
import struct
import threading
import time
from collections.abc import Coroutine, Iterator
from pathlib import Path
from typing import Any, TypeVar

import aiohttp
import numpy as np

from vibekit.capture.files import EXTENSIONS
from vibekit.capture.phone.desk import Desk
from vibekit.capture.phone.plan import Answer, Delivery, Plan
from vibekit.capture.phone.server import PhoneServer

T = TypeVar("T")
HERE = "127.0.0.1"
SETTINGS = {"echoCancellation": False, "noiseSuppression": False, "autoGainControl": False, "sampleRate": 48000}
START = {"type": "start", "kind": "sound", "rate": 48000, "way": "track", "position": 0, "settings": SETTINGS}


def plan(**changed: object) -> Plan:
    """What is asked for on the bench of this test."""
    words = {
        "title": "Wren-4",
        "positions": ("north-east", "south-east"),
        "task": "Run bare, without propeller",
        "how": "Phone on a stand a hand's breadth from the motor.",
        "cautions": ("Battery out while hands are near.", "Eye protection on."),
        "seconds": None,
        "motion": True,
        "extensions": EXTENSIONS,
        "countdown_s": 0,
    }
    return Plan(**(words | changed))


class Bench:
    """deliveries: what came, in order; told: lines for the user; folder: where recordings go."""

    def __init__(self, folder: Path, asked: Plan) -> None:
        self.deliveries: list[Delivery] = []
        self.told: list[str] = []
        self.folder = folder
        self.desk = Desk(asked, folder, {"craft": "Wren-4"}, self.judge, self.told.append)
        self.server = PhoneServer(self.desk, HERE)
        self.base, _, self.token = self.server.link.url.partition("/#")

    def judge(self, delivery: Delivery) -> Answer:
        self.deliveries.append(delivery)
        verdict, act = "Propeller uneven: likely (70 %).", "Balance the propeller, then record it again in the same way."
        return Answer("watch", "◐", "Watch", verdict, act, "Battery out before you touch a propeller.", delivery.notes, "Kept.")

    @property
    def written(self) -> list[str]:
        return sorted(path.name for path in self.folder.iterdir()) if self.folder.exists() else []

    def wait_for(self, count: int, seconds: float = 10) -> None:
        """Wait until so many recordings came."""
        until = time.monotonic() + seconds
        while len(self.deliveries) < count and time.monotonic() < until:
            time.sleep(0.02)
        assert len(self.deliveries) == count, self.told


@contextlib.contextmanager
def serving(folder: Path, asked: Plan | None = None, wait_s: float = 60) -> Iterator[Bench]:
    """A server that ends with the block."""
    bench = Bench(folder / "takes", asked or plan())
    thread = threading.Thread(target=lambda: asyncio.run(bench.server.serve(wait_s)))
    thread.start()
    try:
        yield bench
    finally:
        bench.desk.closing.set()
        thread.join(30)
        assert not thread.is_alive()


def new_client(bench: Bench) -> aiohttp.ClientSession:
    """A phone: accepts any certificate, keeps its cookies, says where it comes from."""
    anyone = ssl.create_default_context()
    anyone.check_hostname, anyone.verify_mode = False, ssl.CERT_NONE
    cookies = aiohttp.CookieJar(unsafe=True)  # for an IP address too
    return aiohttp.ClientSession(bench.base, connector=aiohttp.TCPConnector(ssl=anyone), cookie_jar=cookies, headers={"Origin": bench.base})


async def join(client: aiohttp.ClientSession, token: object) -> int:
    """Bring a token; give the status of the answer."""
    async with client.post("/join", json={"token": token}) as answer:
        return answer.status


async def joined(bench: Bench) -> aiohttp.ClientSession:
    """A phone that was let in."""
    client = new_client(bench)
    assert await join(client, bench.token) == 200
    return client


def run(talk: Coroutine[Any, Any, T]) -> T:
    """Run to the end, and until TLS connections are closed, for which aiohttp does not wait."""

    async def whole() -> T:
        done = await talk
        open_ones = asyncio.get_running_loop()._selector.get_map()  # besides connections, what wakes the loop
        until = time.monotonic() + 5
        while len(open_ones) > 1 and time.monotonic() < until:
            await asyncio.sleep(0.01)
        return done

    return asyncio.run(whole())


def frame(number: int, first: int, samples: np.ndarray, taken_ms: float | None = None) -> bytes:
    """As described in vibekit/capture/phone/frame.py, made without it."""
    when = 1000 * first / 48000 if taken_ms is None else taken_ms
    return b"VKF1" + struct.pack("<IQd", number, first, when) + samples.tobytes()


def port_of(bench):
    return int(bench.base.rpartition(":")[2])


async def still_serves(bench, client=None):
    """The page still comes, and nothing was written."""
    async with client or new_client(bench) as phone, phone.get("/") as answer:
        assert answer.status == 200
    until = time.monotonic() + 5
    while bench.written and time.monotonic() < until:  # an empty take is being taken away
        await asyncio.sleep(0.02)
    assert bench.written == []


async def hang_up(writer):
    writer.transport.abort()
    with contextlib.suppress(OSError):
        await writer.wait_closed()


async def closed_with(line):
    """Read until the server hangs up; give its code."""
    async with asyncio.timeout(10):
        while (message := await line.receive()).type not in (aiohttp.WSMsgType.CLOSE, aiohttp.WSMsgType.CLOSED, aiohttp.WSMsgType.CLOSING):
            pass
    return message.data


async def say(line, message):
    await (line.send_bytes(message) if isinstance(message, bytes) else line.send_str(message))
