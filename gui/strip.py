"""The craft as a strip of rotors in running order: each with its state by mark and word, what to do, and its last reading."""

from PySide6.QtCore import QPointF, QRectF, QSize, Qt, Signal
from PySide6.QtGui import QBrush, QColor, QFontMetrics, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QAbstractButton, QButtonGroup, QHBoxLayout, QSizePolicy, QWidget

from vibekit.gui.session import Bench
from vibekit.gui.theme import Look
from vibekit.marks import State
from vibekit.moment import day
from vibekit.outline import outline_of
from vibekit.wording import TEST_WORDS, action_words, condition_words, sentence


def draw_mark(painter: QPainter, state: State, box: QRectF, ink: QColor) -> None:
    """Draw the mark of a state: an open, half filled, filled or dashed ring."""
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    width = box.width() / 8
    ring = box.adjusted(width, width, -width, -width)
    pen = QPen(ink, width)
    if state.dashed:
        pen.setDashPattern([1.35, 1.006])  # eight dashes around, as in the report
        pen.setCapStyle(Qt.PenCapStyle.FlatCap)
    painter.setPen(pen)
    painter.setBrush(QBrush(ink) if state.fill == "full" else Qt.BrushStyle.NoBrush)
    painter.drawEllipse(ring)
    if state.fill == "half":
        painter.setBrush(QBrush(ink))
        painter.setPen(Qt.PenStyle.NoPen)
        painter.drawPie(ring, 90 * 16, 180 * 16)


class Mark(QWidget):
    """The mark of a state, by itself."""

    def __init__(self, look: Look, state: State, size: float = 22) -> None:
        super().__init__()
        self.look, self.state = look, state
        self.setFixedSize(look.px(size), look.px(size))
        self.setAccessibleName(state.words)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw it."""
        painter = QPainter(self)
        draw_mark(painter, self.state, QRectF(self.rect()), self.look.ink(self.state.code))


class RotorCard(QAbstractButton):
    """One rotor: mark, name, state, what to do, last reading."""

    def __init__(self, look: Look, number: int, bench: Bench, position: str) -> None:
        super().__init__()
        self.look, self.number, self.position = look, number, position
        self.state = bench.state(position)
        motor = bench.motor(position)
        end = bench.conclusion(position)
        claimed = end is not None and end.claims
        self.what = condition_words(end.condition) if end is not None and claimed else ""
        self.todo = sentence(action_words(end)) if end is None or claimed else ""
        last = motor.kept[-1] if motor.kept else None
        self.last = f"{day(last.when)}, {TEST_WORDS[last.settings.test]}" if last else "not recorded yet"
        self.setCheckable(True)
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        told = [self.position, self.state.words, self.what, self.todo, f"last reading: {self.last}"]
        self.setAccessibleName(", ".join(word for word in told if word))
        self.setToolTip("\n".join(word for word in told if word))

    def sizeHint(self) -> QSize:
        """As wide as the strip allows, four lines high."""
        return QSize(self.look.px(150), self.look.px(86))

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the card."""
        look, painter = self.look, QPainter(self)
        box = QRectF(self.rect()).adjusted(0.5, 0.5, -0.5, -0.5)
        painter.setPen(look.line("this" if self.isChecked() or self.hasFocus() else "rule"))
        painter.setBrush(look.wash("rule", 110) if self.isChecked() else Qt.BrushStyle.NoBrush)
        painter.drawRect(box)
        if self.isChecked():
            painter.fillRect(QRectF(box.left(), box.bottom() - look.px(4), box.width(), look.px(4)), look.ink("this"))
        draw_mark(painter, self.state, QRectF(look.px(8), look.px(8), look.px(22), look.px(22)), look.ink(self.state.code))
        left, width = look.px(38), box.width() - look.px(44)
        self._line(painter, left, 7, width, self.position, 14, bold=True)
        self._line(painter, left, 25, width, self.state.words, 12, bold=True)
        self._line(painter, look.px(8), 44, box.width() - look.px(14), self.what or self.todo, 12)
        self._line(painter, look.px(8), 61, box.width() - look.px(14), self.last, 11, ink="muted")

    def _line(
        self, painter: QPainter, x: float, y: float, width: float, text: str, size: float, *, bold: bool = False, ink: str = "ink"
    ) -> None:
        font = self.font()
        font.setPixelSize(self.look.px(size))
        font.setBold(bold)
        painter.setFont(font)
        painter.setPen(self.look.ink(ink))
        fits = QFontMetrics(font).elidedText(text, Qt.TextElideMode.ElideRight, int(width))
        painter.drawText(
            QRectF(x, self.look.px(y), width, self.look.px(size + 6)), Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter, fits
        )


class OutlineKey(QWidget):
    """The craft from above, small: which place is which number of the strip. Blank when the names tell no directions."""

    def __init__(self, look: Look, bench: Bench, position: str | None) -> None:
        super().__init__()
        self.look, self.bench, self.position = look, bench, position
        self.spots = outline_of(bench.positions)
        self.setFixedSize(look.px(92), look.px(86))
        self.setAccessibleName("the craft from above: " + ", ".join(f"{n} {p}" for n, p in enumerate(bench.positions, 1)))

    def choose(self, position: str | None) -> None:
        """Show another rotor as the chosen one."""
        self.position = position
        self.update()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw body, arms and rotors, each in its state."""
        look, painter = self.look, QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        centre, reach, round_ = QPointF(self.width() / 2, self.height() / 2), look.px(30), look.px(9)
        painter.setPen(look.line("muted"))
        for spot in self.spots:
            painter.drawLine(centre, centre + QPointF(spot.x * reach, spot.y * reach))
        font = self.font()
        font.setPixelSize(look.px(11))
        font.setBold(True)
        painter.setFont(font)
        for number, (spot, position) in enumerate(zip(self.spots, self.bench.positions, strict=False), 1):
            at = centre + QPointF(spot.x * reach, spot.y * reach)
            chosen = position == self.position
            box = QRectF(at.x() - round_, at.y() - round_, 2 * round_, 2 * round_)
            painter.setPen(look.line("this" if chosen else "muted"))
            painter.setBrush(look.ink("this" if chosen else "paper"))
            painter.drawEllipse(box)
            painter.setPen(look.ink("paper" if chosen else "ink"))
            painter.drawText(box, Qt.AlignmentFlag.AlignCenter, str(number))


class RotorStrip(QWidget):
    """All rotors of the craft. `chosen` names the one that was pressed."""

    chosen = Signal(str)

    def __init__(self, look: Look) -> None:
        super().__init__()
        self.look = look
        self.cards: list[RotorCard] = []
        self.key: OutlineKey | None = None
        self._row = QHBoxLayout(self)
        self._row.setContentsMargins(look.px(8), look.px(6), look.px(8), look.px(6))
        self._row.setSpacing(look.px(6))
        self._bench: Bench | None = None
        self._group = QButtonGroup(self)

    def show_bench(self, bench: Bench | None, position: str | None) -> None:
        """Show a craft with one rotor chosen."""
        if bench is not self._bench:
            self._build(bench, position)
        for card in self.cards:
            card.setChecked(card.position == position)
        if self.key:
            self.key.choose(position)

    def _build(self, bench: Bench | None, position: str | None) -> None:
        self._bench = bench
        while item := self._row.takeAt(0):
            if widget := item.widget():
                widget.hide()
                widget.deleteLater()
        self.cards, self.key, self._group = [], None, QButtonGroup(self)
        if bench is None:
            return
        if outline_of(bench.positions):
            self.key = OutlineKey(self.look, bench, position)
            self._row.addWidget(self.key)
        for number, name in enumerate(bench.positions, 1):
            card = RotorCard(self.look, number, bench, name)
            card.clicked.connect(lambda _=False, name=name: self.chosen.emit(name))
            self._group.addButton(card)
            self.cards.append(card)
            self._row.addWidget(card, 1)
