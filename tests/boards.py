"""Boards that send what a serial sensor sends, through a pair of pseudo-terminals."""

import contextlib
import os
import struct
import threading
import time
import tty
from binascii import crc_hqx
from collections.abc import Iterator

import numpy as np
import pytest

HOLDS = 128 << 10  # bytes, half the memory of a small board; a pseudo-terminal takes 20 kB
HEADER = "rate={rate:g} unit=g range=16 scale=0.000488 axes=x,y,z bits=16 name=Siskin"


def counts(first: int, n: int) -> np.ndarray:
    """(n, 3) int16: the same for the same sample."""
    k = np.arange(first, first + n)
    return np.stack([k % 60_000 - 30_000, k * 7919 % 65_521 - 32_760, k * 104_729 % 65_519 - 32_759], axis=1).astype("<i2")


def frame(kind: int, number: int, data: bytes) -> bytes:
    body = struct.pack("<BHI", kind, len(data), number % 2**32) + data
    return b"\x56\xb1" + body + struct.pack("<H", crc_hqx(body, 0))


def header_frame(rate: float, number: int = 0) -> bytes:
    return frame(1, number, HEADER.format(rate=rate).encode())


def samples_frame(number: int, n: int = 16) -> bytes:
    return frame(2, number, counts(number, n).tobytes())


def line(text: str) -> bytes:
    return f"{text} ~{crc_hqx(text.encode(), 0):04x}\n".encode()


def header_line(rate: float) -> bytes:
    return line("H " + HEADER.format(rate=rate))


def sample_line(number: int) -> bytes:
    return line(f"D {number} " + " ".join(map(str, counts(number, 1)[0])))


class Board:
    """Sends (time in s, bytes) in real time. What the wire does not take at once waits on the board, HOLDS bytes at most.

    dropped: bytes for which there was no room any more; used_s: of a processor, by the sending itself
    """

    def __init__(self, messages: Iterator[tuple[float, bytes]]) -> None:
        try:
            self._master, slave = os.openpty()
        except OSError as error:
            pytest.skip(f"there are no pseudo-terminals here: {error}")
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self.port = os.ttyname(slave)
        self._slave = slave
        self.dropped = 0
        self.used_s = 0.0
        self._going = True
        self._thread = threading.Thread(target=self._send, args=(messages,))
        self._thread.start()

    def _send(self, messages: Iterator[tuple[float, bytes]]) -> None:
        began, waiting = time.monotonic(), bytearray()
        for at, data in messages:
            time.sleep(max(began + at - time.monotonic(), 0))
            if not self._going:
                return
            room = HOLDS - len(waiting)
            self.dropped += max(len(data) - room, 0)
            waiting += data[:room]
            try:
                del waiting[: os.write(self._master, waiting)]
            except BlockingIOError:
                pass
            except OSError:  # the other end is closed
                return
            self.used_s = time.thread_time()

    def unplug(self) -> None:
        self._going = False
        self._thread.join()
        for end in (self._slave, self._master):
            with contextlib.suppress(OSError):
                os.close(end)


@contextlib.contextmanager
def board(messages: Iterator[tuple[float, bytes]]) -> Iterator[Board]:
    one = Board(messages)
    try:
        yield one
    finally:
        one.unplug()
