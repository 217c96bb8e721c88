"""The framed binary protocol of a serial sensor, 1 to 26 kHz.

    0  2 bytes  0x56 0xB1
    2  1 byte   kind: 1 header, 2 samples
    3  2 bytes  length of what follows the number
    5  4 bytes  number of the first sample in the frame; in a header, of the next sample
    9           header: its line, ASCII; samples: one count an axis, sample after sample
    .  2 bytes  CRC-16 of all from the kind on: polynomial 0x1021, start 0 (CRC-16/XMODEM; of "123456789" it is 0x31C3)

All numbers little-endian, counts signed. See `vibekit.capture.sensor_stream` for the header. A frame whose check fails is passed over, and
the next is looked for from its second byte on; its samples then lack in the numbering.
"""

import struct
from binascii import crc_hqx

import numpy as np

from vibekit.capture.sensor_stream import Numbering, Piece, SensorHeader

SYNC = b"\x56\xb1"
HEADER, SAMPLES = 1, 2
LONGEST = 4096  # of what follows the number
_HEAD = struct.Struct("<2sBHI")
_CRC = struct.Struct("<H")


class FrameReader:
    """Bytes in, pieces out. header: None until one has come; bad: frames whose check failed."""

    def __init__(self) -> None:
        self.header: SensorHeader | None = None
        self.bad = 0
        self._rest = b""
        self._numbering = Numbering()

    def feed(self, data: bytes) -> list[Piece]:
        """Read what has come. Raises UnreadableError for a header that cannot be used."""
        held = self._rest + data
        pieces: list[Piece] = []
        at = 0
        while (at := held.find(SYNC, at)) >= 0 and len(held) - at >= _HEAD.size:
            _, kind, length, number = _HEAD.unpack_from(held, at)
            end = at + _HEAD.size + length
            if length > LONGEST:
                at += 1
            elif len(held) < end + _CRC.size:
                break
            elif crc_hqx(held[at + 2 : end], 0) != _CRC.unpack_from(held, end)[0]:
                self.bad += 1
                at += 1
            else:
                self._take(kind, number, held[at + _HEAD.size : end], pieces)
                at = end + _CRC.size
        self._rest = held[at:] if at >= 0 else held[-1:]
        return pieces

    def _take(self, kind: int, number: int, data: bytes, pieces: list[Piece]) -> None:
        if kind == HEADER:
            self.header = self.header or SensorHeader.of(data.decode("ascii", "replace"))
        elif kind == SAMPLES and self.header is not None:
            axes, size = len(self.header.axes), (self.header.bits or 16) // 8
            if len(data) % (axes * size) == 0:
                counts = np.frombuffer(data, f"<i{size}").reshape(-1, axes)
                self._numbering.place(number, (counts * self.header.scale).astype(np.float32), self.header, pieces)
