"""The motion sensor of a phone: readings with the phone's own time stamps, written as a text log."""

import os
import time
from pathlib import Path

import numpy as np

from vibekit.capture.phone.frame import Frame
from vibekit.capture.phone.stream import MOTION_HZ
from vibekit.errors import UnreadableError

HEADER = "time_ms,x (m/s2),y (m/s2),z (m/s2)\n"
SETTLE_S = 0.5


class MotionLog:
    """A log that grows row by row; forced to the disk every SETTLE_S. Raises OSError when the disk does not take it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows = 0
        self._frames = 0
        self._last_ms = -1.0
        self._first_ms = 0.0
        self._settled = time.monotonic()
        self._file = path.open("x", encoding="utf-8")
        self._file.write(HEADER)

    @property
    def limits(self) -> str:
        """What such readings are good for, in a sentence."""
        span_s = (self._last_ms - self._first_ms) / 1000
        count = f"The browser gave {(self.rows - 1) / span_s:.0f}" if span_s > 0 else f"A browser gives about {MOTION_HZ:g}"
        what = "rounded: enough for a motor spun by hand and for slow shafts, for nothing else"
        return f"{count} readings of the motion sensor a second, {what}."

    def add(self, frame: Frame) -> None:
        """Append the rows of a frame. Raises UnreadableError when its numbers or times go back."""
        times = frame.rows[:, 0]
        if frame.number < self._frames or times[0] < self._last_ms or np.any(np.diff(times) < 0):
            raise UnreadableError(f"motion frame {frame.number} does not follow the one before")
        if not self.rows:
            self._first_ms = float(times[0])
        self._frames, self._last_ms = frame.number + 1, float(times[-1])
        self.rows += len(times)
        self._file.writelines(f"{t:.3f},{x:.6g},{y:.6g},{z:.6g}\n" for t, x, y, z in frame.rows.tolist())
        if time.monotonic() - self._settled > SETTLE_S:
            self._settle()

    def close(self) -> None:
        """Settle and close the log; one without rows is removed."""
        self._settle()
        self._file.close()
        if not self.rows:
            self.path.unlink()

    def _settle(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())
        self._settled = time.monotonic()
