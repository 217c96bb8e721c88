"""Any text stream of columns, as its user describes it: "t,x,y,z", comma, semicolon, blank or tab between them, a line a sample.

Such a stream has no check, so a garbled figure passes unless it makes its line unreadable. With a time column, rows that lack are counted
by its steps; without one, only this computer's clock tells.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vibekit.capture.clock import TIME_UNITS
from vibekit.capture.sensor_stream import LOST, Piece, Samples, SensorHeader
from vibekit.errors import UsageError, check_choice
from vibekit.recording import RELATIVE, Unit

TIME, SKIPPED = "t", "-"
BETWEEN = bytes.maketrans(b",;\t", b"   ")
LEAST_ROWS = 100  # to tell a rate from
STEP, NEXT = 1.75, 0.5  # in samples: a step so long is a gap, unless the next is so short that the row was merely late
Rows = npt.NDArray[np.float64]
UNREADABLE = "lines that cannot be read"


class ColumnReader:
    """Bytes in, pieces out. header: None until the rate is known; bad: lines that do not hold one number a column.

    columns: names in order, "t" for time and "-" for one to leave out; time_unit: of "t"
    rate_hz: needed without "t"; unit: of the samples; scale: how many of it one of a sample as written is
    Raises UsageError when that does not fit together.
    """

    def __init__(
        self,
        columns: Sequence[str],
        *,
        time_unit: str | None = None,
        rate_hz: float | None = None,
        unit: Unit = RELATIVE,
        scale: float = 1.0,
    ) -> None:
        axes = tuple(column for column in columns if column not in (TIME, SKIPPED))
        if not axes:
            raise UsageError(f"--columns {','.join(columns)} names no axis; write such as t,x,y,z")
        if TIME in columns:
            check_choice("--time-unit", time_unit or "", TIME_UNITS)
        elif rate_hz is None:
            raise UsageError(f"--columns {','.join(columns)} has no time column t; give the samples a second with --rate, such as 1000Hz")
        self.bad = 0
        self.header = None if rate_hz is None else SensorHeader(rate_hz, unit, axes, bits=None)
        self._axes, self._unit, self._scale = axes, unit, scale
        self._columns = len(columns)
        self._picked = [i for i, column in enumerate(columns) if column not in (TIME, SKIPPED)]
        self._time = columns.index(TIME) if TIME in columns else None
        self._second = TIME_UNITS[time_unit] if TIME in columns and time_unit else 1.0
        self._rest = b""
        self._begun = False
        self._last_s: float | None = None
        self._learned: list[float] = []

    def feed(self, data: bytes) -> list[Piece]:
        """Read what has come; nothing is delivered before the rate is known."""
        *lines, rest = (self._rest + data).split(b"\n")
        self._rest = rest[-1024:]
        if lines and not self._begun:
            lines, self._begun = lines[1:], True  # the first may have lost its beginning
        rows, bad = self._read(lines)
        if not len(rows):
            return []
        time_s = rows[:, self._time] * self._second if self._time is not None else None
        if self.header is None:
            assert time_s is not None
            self._learn(time_s)
            return []
        samples = (rows[:, self._picked] * self._scale).astype(np.float32)
        if time_s is None:
            return [Piece(samples, bad, UNREADABLE if bad else "")]
        return self._split(samples, time_s, self.header.rate_hz)

    def _read(self, lines: list[bytes]) -> tuple[Rows, int]:
        """Rows (n, columns) of the lines that are whole, and how many were not."""
        fields = [line.translate(BETWEEN).split() for line in lines]
        rows, bad = [], 0
        for words in fields:
            try:
                row = [float(word) for word in words]
            except ValueError:
                row = []
            if len(row) == self._columns and np.isfinite(row).all():
                rows.append(row)
            elif words:
                bad += 1
        self.bad += bad
        return np.array(rows, dtype=np.float64).reshape(-1, self._columns), bad

    def _learn(self, time_s: Rows) -> None:
        self._learned += time_s.tolist()
        if len(self._learned) >= LEAST_ROWS:
            period = (self._learned[-1] - self._learned[0]) / (len(self._learned) - 1)
            if period > 0:
                self.header = SensorHeader(1 / period, self._unit, self._axes, bits=None)

    def _split(self, samples: Samples, time_s: Rows, rate_hz: float) -> list[Piece]:
        before = time_s[0] - 1 / rate_hz if self._last_s is None else self._last_s
        steps = np.diff(time_s, prepend=before) * rate_hz
        self._last_s = float(time_s[-1])
        gaps = np.flatnonzero((steps >= STEP) & (np.append(steps[1:], 1.0) >= NEXT))
        pieces = []
        for start, stop in zip([0, *gaps.tolist()], [*gaps.tolist(), len(samples)], strict=True):
            lost = round(steps[start]) - 1 if start in gaps else 0
            if stop > start:
                pieces.append(Piece(samples[start:stop], lost, LOST if lost else ""))
        return pieces
