"""An axis of a plot: plain numbers or powers of ten, and a label that is never cut."""

import math
from collections.abc import Sequence
from typing import Any

import pyqtgraph as pg
from PySide6.QtGui import QFontMetricsF

from vibekit.wording import superscript

NUDGE = 4  # pixels that a label below would stand out of its axis
MARGIN = 8  # pixels that a label needs beside its words


class Axis(pg.AxisItem):
    """Powers of ten on a logarithmic scale, and 2 and 5 times them where less than two are in sight.

    unit: what is left of the label where the axis is too short for all of it
    """

    unit = ""

    def logTickStrings(self, values: Sequence[float], scale: float, spacing: float) -> list[str]:
        """Name the powers of ten."""
        near = abs(self.range[1] - self.range[0]) < 2
        return [_power(10.0**value, between=near) for value in values]

    def labelString(self) -> str:
        """Give the label, or its unit alone, as there is room."""
        style = "; ".join(f"{name}: {value}" for name, value in self.labelStyle.items())
        return f"<span style='{style}'>{self.labelText if self._fits() else self.unit}</span>"

    def resizeEvent(self, event: Any = None) -> None:
        """Write the label anew, in the middle."""
        if self.label is not None:
            self.label.setHtml(self.labelString())
        super().resizeEvent(event)
        if self.label is not None and self.orientation == "bottom":
            self.label.setY(self.label.y() - NUDGE)

    def _fits(self) -> bool:
        room = self.height() if self.orientation in ("left", "right") else self.width()
        font = self.label.font()
        if size := str(self.labelStyle.get("font-size", "")).removesuffix("px"):
            font.setPixelSize(int(size))
        return not self.unit or QFontMetricsF(font).horizontalAdvance(self.labelText) + MARGIN <= room


def _power(value: float, *, between: bool) -> str:
    power = math.log10(value)
    if abs(power - round(power)) < 1e-6:
        return f"10{superscript(round(power))}"
    digit = round(value / 10.0 ** math.floor(power), 6)
    return f"{value:.1g}" if between and digit in (2, 5) else ""
