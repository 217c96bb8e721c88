"""An order map of a run-up: spectra stacked as lines at their shaft speed."""

from dataclasses import replace

import numpy as np
import pyqtgraph as pg

from vibekit.gui.plot import Plot, figures
from vibekit.gui.series import Drawn, Series
from vibekit.gui.theme import Look
from vibekit.reading import SpeedMap
from vibekit.wording import unit_words

RANGE_DB = 60.0  # of the largest line that is drawn
TALL = 3.0  # steps between two lines that the largest line rises


class MapPlot(Plot):
    """Stacked lines: across order or Hz, upward shaft speed, each line as high as its level above RANGE_DB below the largest."""

    def __init__(self, look: Look) -> None:
        super().__init__(look, "Run-up", ("order (multiples of shaft speed)", ""), ("shaft speed", "rpm"))
        self.map: SpeedMap | None = None
        self._stack: pg.PlotCurveItem | None = None
        self._framed: tuple[float, float] | None = None
        self.say = self._say_at

    def clear(self) -> None:
        """Take everything off."""
        super().clear()
        self._stack = self._framed = None

    def show_map(self, map_: SpeedMap) -> None:
        """Draw a map, in the place of the one before."""
        self.map = map_
        x, y, joined = stacked(map_)
        if self._stack is None:
            self.relabel(x=("frequency", "Hz") if map_.x_unit == "Hz" else ("order (multiples of shaft speed)", ""))
            self._stack = pg.PlotCurveItem(x, y, connect=joined, pen=self.look.line("this"))
            self.item.addItem(self._stack)
        else:
            self._stack.setData(x, y, connect=joined)
        ends = float(map_.rpm[0]), float(map_.rpm[-1])
        if self._framed is None or ends[0] < self._framed[0] or ends[1] > self._framed[1]:
            self._framed = ends
            step = step_of(map_)
            self.frame(float(map_.x[0]), float(map_.x[-1]), ends[0] - step, ends[1] + (TALL + 0.5) * step)

    @property
    def drawn(self) -> Drawn:
        """Amplitude against order or Hz, a series a speed."""
        found = self.map
        if found is None:
            return super().drawn
        rows = tuple(Series(f"{rpm:.1f} rpm", found.x, row) for rpm, row in zip(found.rpm, found.amplitude, strict=True))
        return replace(super().drawn, y=("peak amplitude", found.unit), series=rows)

    def _say_at(self, x: float, rpm: float) -> str:
        if self.map is None:
            return ""
        row = int(np.abs(self.map.rpm - rpm).argmin())
        amplitude = float(np.interp(x, self.map.x, self.map.amplitude[row]))
        turns = float(self.map.rpm[row]) / 60
        order, hz = (x / turns, x) if self.map.x_unit == "Hz" else (x, x * turns)
        return f"{self.map.rpm[row]:.0f} rpm · order {order:.3g} · {hz:.1f} Hz · {figures(amplitude)} {unit_words(self.map.unit)}"


def step_of(map_: SpeedMap) -> float:
    """Shaft speed between two lines, rpm."""
    return float(np.median(np.diff(map_.rpm))) if map_.rpm.size > 1 else 0.1 * float(map_.rpm[0])


def stacked(map_: SpeedMap) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Give x, height in rpm, and which points are joined to the next, of all lines as one."""
    top = max(float(map_.amplitude.max()), 1e-30)
    level = np.clip(1 + 20 * np.log10(np.maximum(map_.amplitude, 1e-30) / top) / RANGE_DB, 0, 1)
    height = map_.rpm[:, None] + TALL * step_of(map_) * level
    joined = np.ones(height.shape, dtype=np.int32)
    joined[:, -1] = 0
    return np.tile(map_.x, map_.rpm.size), height.ravel(), joined.ravel()
