"""What was painted, read back from the pixels through the drawn axes."""

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QPointF
from PySide6.QtGui import QColor, QImage


def pixels(plot, ink):
    """(n, 2) places on the screen of the pixels of a colour inside the axes, from the top down; words written there are left out."""
    written = [item for item in plot.item.items if isinstance(item, pg.TextItem)]
    for item in written:
        item.hide()
    image = plot.view.grab().toImage().convertToFormat(QImage.Format.Format_RGB32)
    for item in written:
        item.show()
    rows = np.frombuffer(image.constBits(), np.uint32).reshape(image.height(), image.bytesPerLine() // 4)[:, : image.width()]
    inside = plot.box.sceneBoundingRect()
    left, top = int(inside.left()) + 1, int(inside.top()) + 1
    y, x = np.nonzero(rows[top : int(inside.bottom()), left : int(inside.right())] == QColor(plot.look.ink(ink)).rgb())
    assert x.size, f"no {ink} in the plot"
    return np.stack([x + left, y + top], axis=1)


def places(plot, ink):
    """(n, 2) data coordinates of the pixels of a colour inside the axes, from the top down."""
    return np.array([place_of(plot, place) for place in pixels(plot, ink)])


def place_of(plot, pixel):
    """Data coordinates of the middle of a pixel."""
    x, y = pixel
    return plot.place_of(QPointF(float(x) + 0.5, float(y) + 0.5))


def highest(plot, ink):
    """Data coordinates of the highest pixel of a colour inside the axes; of several in that row, their middle."""
    found = pixels(plot, ink)
    row = found[found[:, 1] == found[0, 1]]
    return place_of(plot, (row[:, 0].mean(), row[0, 1]))


def ticks(plot, name):
    """Where the drawn axis puts its numbers: text to place on its scale."""
    axis = plot.item.getAxis(name)
    levels = axis.tickValues(axis.range[0], axis.range[1], axis.height() if name == "left" else axis.width())
    return {t: v for spacing, values in levels for v, t in zip(values, axis.tickStrings(values, 1.0, spacing), strict=True) if t}
