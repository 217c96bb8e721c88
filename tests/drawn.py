"""What was painted, read back from the pixels through the drawn axes."""

import numpy as np
from PySide6.QtCore import QPoint
from PySide6.QtGui import QColor


def highest(plot, ink):
    """Data coordinates of the highest pixel of a colour inside the axes."""
    image = plot.view.grab().toImage()
    colour = QColor(plot.look.ink(ink)).rgb()
    inside = plot.box.sceneBoundingRect()
    for y in range(int(inside.top()) + 1, int(inside.bottom())):
        xs = [x for x in range(int(inside.left()) + 1, int(inside.right())) if image.pixel(x, y) == colour]
        if xs:
            return plot.place_of(plot.view.mapToScene(QPoint(round(float(np.mean(xs))), y)))
    raise AssertionError(f"no {ink} in the plot")
