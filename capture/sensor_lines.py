"""The line protocol of a serial sensor: readable, and enough up to about 2 kHz at 921 600 baud.

    H rate=1000 unit=g range=16 scale=0.0039 axes=x,y,z ~e906
    D 41 12 -33 256 ~defb

A header, and samples: the sample's number, then one count an axis. After " ~" stand four hexadecimal digits: CRC-16 of all before it on the
line (polynomial 0x1021, start 0, as in `vibekit.capture.sensor_frames`). See `vibekit.capture.sensor_stream` for the header. A line whose
check fails is passed over.
"""

from binascii import crc_hqx

import numpy as np

from vibekit.capture.sensor_stream import Numbering, Piece, SensorHeader

LONGEST = 1024  # of a line


class LineReader:
    """Bytes in, pieces out. header: None until one has come; bad: lines whose check failed."""

    def __init__(self) -> None:
        self.header: SensorHeader | None = None
        self.bad = 0
        self._rest = b""
        self._numbering = Numbering()

    def feed(self, data: bytes) -> list[Piece]:
        """Read what has come. Raises UnreadableError for a header that cannot be used."""
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[-LONGEST:]
        pieces: list[Piece] = []
        rows: list[list[int]] = []  # of numbers that follow each other
        for line in lines:
            said, _, check = line.rstrip(b"\r").rpartition(b" ~")
            try:
                good = int(check, 16) == crc_hqx(said, 0)
                row = [int(word) for word in said[2:].split()] if good and said[:2] == b"D " else []
            except ValueError:
                good, row = False, []
            if not good:
                self.bad += 1
            elif said[:2] == b"H ":
                self.header = self.header or SensorHeader.of(said[2:].decode("ascii", "replace"))
            elif self.header is not None and len(row) == 1 + len(self.header.axes):
                if rows and row[0] != rows[-1][0] + 1:
                    self._place(rows, self.header, pieces)
                    rows = []
                rows.append(row)
        if rows and self.header is not None:
            self._place(rows, self.header, pieces)
        return pieces

    def _place(self, rows: list[list[int]], header: SensorHeader, pieces: list[Piece]) -> None:
        counts = np.array(rows)
        samples = (counts[:, 1:] * header.scale).astype(np.float32)
        self._numbering.place(int(counts[0, 0]), samples, header, pieces)
