"""Numbered binary frames: how the page sends what it measured.

A frame is little-endian: "VKF1", its number from 0 (uint32), the number of its first row (uint64, rows lost before it counted in), when
that was taken on the phone's own clock in ms (float64), then the rows: one float32 of sound each, or four float64 of motion (ms, x, y, z).
"""

import struct
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.errors import UnreadableError

MAGIC = b"VKF1"
HEADER = struct.Struct("<4sIQd")
MOST_ROWS = 8192
MOST_BYTES = HEADER.size + MOST_ROWS * 8
LOUDEST = 16.0  # of full scale: float sound may pass 1, never this
FASTEST_MS2 = 1e4
LATEST_MS = 1e14

Rows = npt.NDArray[np.float32] | npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Layout:
    """What the rows of a stream hold: dtype, numbers a row, and the largest magnitude of each number."""

    dtype: str
    limits: tuple[float, ...]


SOUND = Layout("<f4", (LOUDEST,))
MOTION = Layout("<f8", (LATEST_MS, FASTEST_MS2, FASTEST_MS2, FASTEST_MS2))


@dataclass(frozen=True, slots=True)
class Frame:
    """number, first and taken_ms: as sent; rows: (n, numbers a row), n at least 1, finite."""

    number: int
    first: int
    taken_ms: float
    rows: Rows


def read_frame(data: bytes, layout: Layout) -> Frame:
    """Take a frame apart. Raises UnreadableError for anything that is none."""
    if not HEADER.size < len(data) <= MOST_BYTES:
        raise UnreadableError(f"a frame of {len(data)} bytes; it must hold {HEADER.size + 1} to {MOST_BYTES}")
    magic, number, first, taken_ms = HEADER.unpack_from(data)
    width = len(layout.limits)
    row = np.dtype(layout.dtype).itemsize * width
    if magic != MAGIC or (len(data) - HEADER.size) % row:
        raise UnreadableError("a frame of another form")
    rows = np.frombuffer(data, layout.dtype, offset=HEADER.size).reshape(-1, width)
    if not (0 <= taken_ms <= LATEST_MS and np.all(np.abs(rows) <= layout.limits)):  # no comparison with NaN is true
        raise UnreadableError("a frame with a number that cannot be")
    return Frame(number, first, taken_ms, rows)
