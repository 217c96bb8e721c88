"""Where to put what: the rotor from above, its mark, the places for weights, and the weights that shall be on it."""

import math
from collections.abc import Sequence

from PySide6.QtCore import QPointF, QRectF, QSize, Qt
from PySide6.QtGui import QBrush, QPainter, QPaintEvent, QPolygonF
from PySide6.QtWidgets import QWidget

from vibekit.craft import Hand
from vibekit.gui.theme import Look
from vibekit.spots import Spot, Weight

SIDE = 180
INNER = 0.3  # where the smallest radius stands; radii are drawn unevenly, so that a hub's places do not meet


class RotorSketch(QWidget):
    """Angles as they are, counted from the mark in the direction in which the rotor turns; radii not to scale.

    hand: seen from above; drawn counter-clockwise where it is not known
    """

    def __init__(self, look: Look, blades: int | None, hand: Hand | None, spots: Sequence[Spot], weights: Sequence[Weight]) -> None:
        super().__init__()
        self.look, self.blades, self.hand, self.spots, self.weights = look, blades, hand, tuple(spots), tuple(weights)
        self.setFixedSize(look.px(SIDE), look.px(SIDE))
        told = [f"{weight.mass_g:.3g} g at {weight.spot.name}, {weight.spot.angle_deg:.0f} degrees" for weight in weights]
        self.setAccessibleName(f"the rotor from above: {', '.join(told) or 'nothing on it'}")
        self.setToolTip("the rotor from above; angles as they are, radii not to scale")

    def sizeHint(self) -> QSize:
        """As large as it is."""
        return self.size()

    def at(self, angle_deg: float, reach: float) -> QPointF:
        """Give the place of an angle from the mark, which is above; reach: 0 in the middle, 1 at the outer circle."""
        turn = math.radians(angle_deg) * (1 if self.hand == "clockwise" else -1)
        radius = 0.39 * self.width() * reach
        return QPointF(self.width() / 2 + radius * math.sin(turn), self.height() / 2 - radius * math.cos(turn))

    def place(self, spot: Spot) -> QPointF:
        """Give where a place for a weight is drawn."""
        return self.at(spot.angle_deg, self._reach(spot))

    def _reach(self, spot: Spot) -> float:
        return INNER + (0.86 - INNER) * math.sqrt(spot.radius_mm / max(other.radius_mm for other in self.spots))

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        look, painter = self.look, QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        middle, edge = self.at(0, 0), 0.39 * self.width()
        painter.setPen(look.line("rule"))
        painter.drawEllipse(middle, edge, edge)
        painter.setPen(look.line("others"))
        for blade in range(self.blades or 0):
            painter.drawLine(middle, self.at(360 * blade / (self.blades or 1), 1))
        painter.drawEllipse(middle, 0.1 * edge, 0.1 * edge)
        self._direction(painter)
        size = look.px(3)
        painter.setPen(look.line("muted"))
        for spot in self.spots:
            painter.drawEllipse(self.place(spot), size, size)
        font = self.font()
        font.setPixelSize(look.px(12))
        painter.setFont(font)
        painter.setPen(look.ink("ink"))
        painter.drawText(_box(self.at(0, 1.16), look.px(60)), Qt.AlignmentFlag.AlignCenter, "mark")
        for weight in self.weights:
            where = self.place(weight.spot)
            painter.setBrush(QBrush(look.ink("this")))
            painter.setPen(look.line("this"))
            painter.drawEllipse(where, 2 * size, 2 * size)
            painter.setPen(look.ink("ink"))
            beside = where + QPointF(0, look.px(15) if where.y() <= middle.y() + 1 else -look.px(15))
            painter.drawText(
                _box(beside, look.px(80)), Qt.AlignmentFlag.AlignCenter, f"{weight.mass_g:.3g} g".replace("-", "\N{MINUS SIGN}")
            )

    def _direction(self, painter: QPainter) -> None:
        """An arc beside the outer circle with its head in the direction of rotation."""
        arc = [self.at(angle, 1.08) for angle in range(20, 66, 3)]
        painter.setPen(self.look.line("muted"))
        painter.setBrush(Qt.BrushStyle.NoBrush)
        painter.drawPolyline(QPolygonF(arc))
        for reach in (1.03, 1.13):
            painter.drawLine(arc[-1], self.at(58, reach))


def _box(middle: QPointF, width: float) -> QRectF:
    return QRectF(middle.x() - width / 2, middle.y() - width / 2, width, width)
