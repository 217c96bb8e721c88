"""A plot of the window: units on both axes, a readout in physical numbers under the cross hair, zoom, pan, log and linear, keys."""

import math
from collections.abc import Callable, Sequence
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pyqtgraph as pg
from PySide6.QtCore import QEvent, QObject, QPointF, Qt, Signal
from PySide6.QtGui import QKeyEvent, QMouseEvent
from PySide6.QtWidgets import QHBoxLayout, QLabel, QPushButton, QVBoxLayout, QWidget

from vibekit.gui.axis import Axis
from vibekit.gui.series import Drawn, Series
from vibekit.gui.theme import Look
from vibekit.wording import superscript, unit_words

Numbers = npt.ArrayLike
Say = Callable[[float, float], str]
TINY = 1e-12
KEYS = "wheel zooms, drag moves, 0 shows the whole, L changes the scale, arrows move, + and - zoom, P keeps the picture or its numbers"


class Plot(QWidget):
    """One plot with its line of words above.

    title: what is seen; x, y: (quantity, unit), unit "" for none; log: the vertical scale may be logarithmic, and begins so
    say: words for a place in data coordinates, to stand as readout
    named lines and points are what `drawn` gives, to be kept as numbers
    `pressed` gives the place clicked, in data coordinates; `rescaled` asks for the data to be drawn anew.
    """

    pressed = Signal(float, float)
    rescaled = Signal()
    keep_wanted = Signal(object)

    def __init__(
        self,
        look: Look,
        title: str,
        x: tuple[str, str],
        y: tuple[str, str],
        *,
        log: bool = False,
        say: Say | None = None,
        x_axis: pg.AxisItem | None = None,
        hold: Literal["both", "x", "y", "none"] = "none",
    ) -> None:
        super().__init__()
        self.look, self.across, self.upward, self.can_log, self.log = look, x, y, log, log
        self.say = say or self._plain
        self.title, self.readout = QLabel(title), QLabel("")
        self.title.setObjectName("title")
        self.readout.setObjectName("readout")
        axes = {"left": Axis("left"), "bottom": x_axis or Axis("bottom")}
        self.view = pg.PlotWidget(axisItems=axes, background=look.ink("paper"))
        self.item: pg.PlotItem = self.view.getPlotItem()
        self.box: pg.ViewBox = self.item.getViewBox()
        self.box.setMenuEnabled(False)
        self.box.setMouseEnabled(x=hold not in ("both", "x"), y=hold not in ("both", "y"))
        self.item.hideButtons()
        self.home: tuple[float, float, float, float] | None = None
        self._named: list[Callable[[], Series]] = []
        self._buttons()
        self._lay_out()
        self._dress()
        self._cross = [pg.InfiniteLine(angle=angle, pen=look.line("muted", dotted=True)) for angle in (90, 0)]
        for line in self._cross:
            line.setVisible(False)
            line.setZValue(50)
            self.item.addItem(line, ignoreBounds=True)
        self.view.scene().sigMouseMoved.connect(self._moved)
        self.view.scene().sigMouseClicked.connect(self._clicked)
        self.view.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self.setAccessibleName(title)
        self.view.setToolTip(KEYS)
        self.setFocusProxy(self.view)
        self.view.installEventFilter(self)  # the graphics view would keep the arrows for itself

    def _buttons(self) -> None:
        self.scale_button = QPushButton("log" if not self.log else "linear")
        self.scale_button.clicked.connect(self.change_scale)
        self.whole_button = QPushButton("whole")
        self.whole_button.clicked.connect(self.whole)
        self.keep_button = QPushButton("keep …")
        self.keep_button.clicked.connect(lambda: self.keep_wanted.emit(self))
        for button, tip in (
            (self.scale_button, "change between a logarithmic and a linear scale (L)"),
            (self.whole_button, "show everything again (0)"),
            (self.keep_button, "keep this plot as a picture (PNG) or its numbers (CSV, JSON) (P)"),
        ):
            button.setObjectName("quiet")
            button.setToolTip(tip)

    def _lay_out(self) -> None:
        head = QHBoxLayout()
        head.setContentsMargins(self.look.px(4), 0, 0, 0)
        head.addWidget(self.title)
        head.addStretch(1)
        for widget in (self.readout, self.scale_button, self.whole_button, self.keep_button):
            head.addWidget(widget)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addLayout(head)
        whole.addWidget(self.view, 1)
        self.scale_button.setVisible(self.can_log)  # not before it has its place, or it would be a window for a moment

    def _dress(self) -> None:
        font = self.font()
        font.setPixelSize(self.look.px(12))
        for name, (quantity, unit) in (("bottom", self.across), ("left", self.upward)):
            axis = self.item.getAxis(name)
            axis.enableAutoSIPrefix(False)
            axis.setPen(self.look.line("muted"))
            axis.setTextPen(self.look.ink("ink"))
            axis.setTickFont(font)
            axis.setStyle(tickLength=self.look.px(4), maxTickLevel=1)
            style = {"color": self.look.ink("ink").name(), "font-size": f"{self.look.px(12)}px"}
            if isinstance(axis, Axis):
                axis.unit = unit_words(unit)
            axis.setLabel(", ".join(filter(None, (quantity, unit_words(unit)))), **style)
            axis.resizeEvent()
        self.item.layout.setContentsMargins(0, self.look.px(8), self.look.px(12), 0)
        self.item.getAxis("left").setWidth(self.look.px(62))
        self.item.getAxis("bottom").setHeight(self.look.px(40))
        self.item.getAxis("left").setLogMode(x=False, y=self.log)

    def relabel(self, x: tuple[str, str] | None = None, y: tuple[str, str] | None = None) -> None:
        """Name the axes anew."""
        self.across, self.upward = x or self.across, y or self.upward
        self._dress()

    def retitle(self, words: str, keys: Sequence[tuple[str, str]] = ()) -> None:
        """Say otherwise what is seen; keys: (name, ink) of lines that are told apart by colour."""
        self.setAccessibleName(words)
        named = "".join(f" &nbsp;<span style='color:{self.look.ink(ink).name()}'>━ {name}</span>" for name, ink in keys)
        self.title.setText(f"{words}{named}")

    def up(self, values: Numbers) -> npt.NDArray[np.float64]:
        """Map values to the vertical scale as it is now."""
        values = np.asarray(values, dtype=np.float64)
        return np.log10(np.maximum(values, TINY)) if self.log else values

    def down(self, height: float) -> float:
        """Give the value that stands at a height of the vertical scale."""
        return 10.0**height if self.log else height

    def clear(self) -> None:
        """Take everything off but the cross hair."""
        for item in list(self.item.items):
            if item not in self._cross:
                self.item.removeItem(item)
        self._named = []

    @property
    def drawn(self) -> Drawn:
        """The numbers that are shown."""
        return Drawn(self.accessibleName(), self.across, self.upward, tuple(tell() for tell in self._named))

    def remember(self, series: Series) -> None:
        """Add to what `drawn` gives."""
        self._named.append(lambda: series)

    def curve(self, x: Numbers, y: Numbers, ink: str, *, name: str = "", dashed: bool = False, dotted: bool = False) -> pg.PlotCurveItem:
        """Draw a line one pixel wide; y in its unit, whatever the scale. name: under which `drawn` gives it as it is then."""
        drawn = pg.PlotCurveItem(
            np.asarray(x, np.float64), self.up(y), pen=self.look.line(ink, dashed=dashed, dotted=dotted), antialias=False
        )
        self.item.addItem(drawn)
        if name:
            self._named.append(lambda: self._told(name, drawn))
        return drawn

    def _told(self, name: str, drawn: pg.PlotCurveItem) -> Series:
        x, y = drawn.getData()
        return Series(name, x, 10.0**y if self.log else y)

    def band(self, x: Numbers, low: Numbers, high: Numbers, ink: str, alpha: int = 110) -> pg.FillBetweenItem:
        """Fill between two lines."""
        edges = [pg.PlotCurveItem(np.asarray(x, np.float64), self.up(y), pen=None) for y in (low, high)]
        filled = pg.FillBetweenItem(*edges, brush=self.look.wash(ink, alpha))
        filled.setZValue(-20)
        self.item.addItem(filled)
        return filled

    def points(
        self, x: Numbers, y: Numbers, ink: str, *, u95: Numbers | None = None, name: str = "", size: float = 8, symbol: str = "o"
    ) -> pg.ScatterPlotItem:
        """Draw points, with whiskers of half width u95 when given. name: under which `drawn` gives them."""
        x, y = np.asarray(x, np.float64), np.asarray(y, np.float64)
        if name:
            self.remember(Series(name, x, y, None if u95 is None else np.asarray(u95, np.float64)))
        if u95 is not None:
            half = np.asarray(u95, np.float64)
            low, middle, high = self.up(y - half), self.up(y), self.up(y + half)
            bar = pg.ErrorBarItem(x=x, y=middle, top=high - middle, bottom=middle - low, pen=self.look.line(ink))
            self.item.addItem(bar)
        drawn = pg.ScatterPlotItem(
            x=x, y=self.up(y), size=self.look.px(size), symbol=symbol, brush=self.look.ink(ink), pen=self.look.line(ink)
        )
        self.item.addItem(drawn)
        return drawn

    def words(
        self, x: float, y: float, text: str, ink: str = "ink", *, anchor: tuple[float, float] = (0.5, 1.0), turned: bool = False
    ) -> Any:
        """Write words at a place, y in its unit."""
        item = pg.TextItem(text, color=self.look.ink(ink), anchor=anchor, angle=90 if turned else 0, fill=self.look.wash("paper", 200))
        font = self.font()
        font.setPixelSize(self.look.px(11.5))
        item.setFont(font)
        item.setPos(x, float(self.up(y)))
        self.item.addItem(item, ignoreBounds=True)
        return item

    def upright(self, x: float, ink: str = "muted", *, dashed: bool = False) -> pg.InfiniteLine:
        """Draw a line up through the whole plot."""
        line = pg.InfiniteLine(x, angle=90, pen=self.look.line(ink, dashed=dashed, dotted=not dashed))
        line.setZValue(-10)
        self.item.addItem(line, ignoreBounds=True)
        return line

    def level(self, y: float, ink: str = "muted", *, dashed: bool = False) -> pg.InfiniteLine:
        """Draw a line across the whole plot, y in its unit."""
        line = pg.InfiniteLine(float(self.up(y)), angle=0, pen=self.look.line(ink, dashed=dashed, dotted=not dashed))
        line.setZValue(-10)
        self.item.addItem(line, ignoreBounds=True)
        return line

    def frame(self, x_low: float, x_high: float, y_low: float, y_high: float) -> None:
        """Say what the whole is, y in its unit, and show it."""
        low, high = float(self.up(y_low)), float(self.up(y_high))
        self.home = (x_low, x_high, low, high)
        self.whole()

    def whole(self) -> None:
        """Show everything."""
        if self.home is None:
            self.box.autoRange()
            return
        x_low, x_high, low, high = self.home
        self.box.setRange(xRange=(x_low, x_high), yRange=(low, high), padding=0)

    def change_scale(self) -> None:
        """Change between a logarithmic and a linear vertical scale."""
        if not self.can_log:
            return
        self.log = not self.log
        self.scale_button.setText("linear" if self.log else "log")
        self.item.getAxis("left").setLogMode(x=False, y=self.log)
        self.rescaled.emit()

    def place_of(self, point: QPointF) -> tuple[float, float]:
        """Give the data coordinates of a place on the scene, through the drawn axes."""
        at = self.box.mapSceneToView(point)
        return at.x(), self.down(at.y())

    def scene_of(self, x: float, y: float) -> QPointF:
        """Give the place on the scene of data coordinates, y in its unit."""
        place: QPointF = self.box.mapViewToScene(QPointF(x, float(self.up(y))))
        return place

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Take the keys that are pressed over the plot."""
        if isinstance(event, QKeyEvent) and event.type() == QEvent.Type.KeyPress:
            self.keyPressEvent(event)
            return event.isAccepted()
        return super().eventFilter(watched, event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        """Move, zoom, show the whole, change the scale."""
        step = {
            Qt.Key.Key_Left: (-0.1, 0.0), Qt.Key.Key_Right: (0.1, 0.0), Qt.Key.Key_Down: (0.0, -0.1), Qt.Key.Key_Up: (0.0, 0.1),
        }.get(Qt.Key(event.key()))  # fmt: skip
        (left, right), (low, high) = self.box.viewRange()
        if step:
            self.box.translateBy(x=step[0] * (right - left), y=step[1] * (high - low))
        elif event.text() in ("+", "=", "-"):
            self.box.scaleBy(x=1.25 if event.text() == "-" else 0.8)
        elif event.key() in (Qt.Key.Key_0, Qt.Key.Key_Home):
            self.whole()
        elif event.key() == Qt.Key.Key_L:
            self.change_scale()
        elif event.key() == Qt.Key.Key_P:
            self.keep_wanted.emit(self)
        else:
            event.ignore()

    def leaveEvent(self, event: Any) -> None:
        """Put the cross hair away."""
        for line in self._cross:
            line.setVisible(False)
        self.readout.setText("")
        super().leaveEvent(event)

    def _moved(self, point: QPointF) -> None:
        if not self.box.sceneBoundingRect().contains(point):
            return
        x, y = self.place_of(point)
        for line, at in zip(self._cross, (x, float(self.up(y))), strict=True):
            line.setPos(at)
            line.setVisible(True)
        self.readout.setText(self.say(x, y))

    def _clicked(self, event: Any) -> None:
        if event.button() == Qt.MouseButton.LeftButton and self.box.sceneBoundingRect().contains(event.scenePos()):
            self.pressed.emit(*self.place_of(event.scenePos()))

    def mouseDoubleClickEvent(self, event: QMouseEvent) -> None:
        """Show the whole."""
        self.whole()

    def _plain(self, x: float, y: float) -> str:
        told = [
            f"{quantity} {figures(value)} {unit_words(unit)}".strip() for (quantity, unit), value in ((self.across, x), (self.upward, y))
        ]
        return " · ".join(told)


def figures(value: float) -> str:
    """Write a number of a readout: four figures, a power of ten where it is small or large."""
    if not math.isfinite(value):
        return "–"
    if value and not 1e-3 <= abs(value) < 1e6:
        power = math.floor(math.log10(abs(value)))
        return f"{value / 10.0**power:.2f}·10{superscript(power)}".replace("-", "\N{MINUS SIGN}")
    return f"{value:.4g}".replace("-", "\N{MINUS SIGN}")
