"""Marks of the comparison's plots: bars with whisker and band, and names of lines and curves that do not meet."""

from typing import Any

import numpy as np
import pyqtgraph as pg

from vibekit.frame import Frame
from vibekit.gui.plot import Plot


def draw_bar(plot: Plot, x: float, width: float, height: float, u95: float, half_band: float, *, chosen: bool, middle: float = 0.0) -> None:
    """Draw a bar with its whisker over the band of the others about `middle`."""
    look = plot.look
    if half_band:
        box: Any = pg.BarGraphItem(
            x=[x], y0=[middle - half_band], height=[2 * half_band], width=0.96 * width, brush=look.wash("others", 120), pen=None
        )
        box.setZValue(-20)
        plot.item.addItem(box)
    ink = "this" if chosen else "muted"
    bar = pg.BarGraphItem(
        x=[x], height=[height], width=0.5 * width, brush=look.ink(ink) if chosen else look.wash("muted", 120), pen=look.line(ink)
    )
    plot.item.addItem(bar)
    whisker = pg.ErrorBarItem(x=np.array([x]), y=np.array([height]), height=np.array([2 * u95]), beam=0.3 * width, pen=look.line("ink"))
    plot.item.addItem(whisker)


def name_lines(plot: Plot, lines: list[tuple[float, float, str]], frame: Frame) -> None:
    """Name lines beside their tops; names that would meet are set a row higher."""
    room = 0.1 * frame.order_max
    last, tier = -room, 0
    for order, amplitude, name in sorted(lines):
        tier = (tier + 1) % 3 if order - last < room else 0
        lift = (1.0 + tier) * (frame.high / frame.low) ** 0.035 if plot.log else 1.0
        high = amplitude * lift if plot.log else amplitude + (0.02 + 0.05 * tier) * (frame.high - frame.low)
        plot.words(order, min(high, frame.high), name, "ink", anchor=(0.5, 1.0))
        last = order


def name_ends(plot: Plot, ends: list[tuple[float, str, str]], frame: Frame) -> None:
    """Name curves at their right end, a line of text apart."""
    low, high = (float(plot.up(v)) for v in (frame.low, frame.high))
    apart, last = 0.055 * (high - low), -np.inf
    for level, name, ink in sorted(ends):
        at = max(float(plot.up(level)), last + apart, low + 0.03 * (high - low))
        last = at
        plot.words(frame.order_max, plot.down(at), name, ink, anchor=(1.0, 0.5))
