"""What every page of the window is given, and what a page is."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from PySide6.QtCore import QEvent, QSize, Qt
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QFrame, QHBoxLayout, QLabel, QLayout, QScrollArea, QSizePolicy, QStackedWidget, QVBoxLayout, QWidget

from vibekit.gui.plot import Plot
from vibekit.gui.session import Session
from vibekit.gui.theme import Look
from vibekit.gui.workers import Workers
from vibekit.settings import Test

W = TypeVar("W", bound=QWidget)


@dataclass(frozen=True, slots=True)
class Desk:
    """What pages work with.

    recording: something is recorded just now, on whatever page
    tell: show one line to the user; reload: gather the craft anew after the archive was changed; go: show another page, by name
    measure: choose a rotor, and show the page that makes a test of it
    keep_plot: ask where, then keep a plot or its numbers
    ask_file: ask for the name of a file to write: (title, name proposed, endings allowed) -> path or ""
    """

    look: Look
    session: Session
    workers: Workers
    recording: Callable[[], bool]
    tell: Callable[[str], None]
    reload: Callable[[], None]
    go: Callable[[str], None]
    measure: Callable[[str, Test], None]
    keep_plot: Callable[[Plot], None]
    ask_file: Callable[[str, str, Sequence[str]], str]


class Page(QWidget):
    """One page. `refresh` shows the session as it is now; the window calls it when the page is seen and something has changed."""

    name = ""
    title = ""

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk, self.look, self.session = desk, desk.look, desk.session
        self.setObjectName("page")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)

    def refresh(self) -> None:
        """Show the session as it is now."""

    @property
    def busy(self) -> bool:
        """Something is recorded here."""
        return False

    def end(self) -> None:
        """Let what runs here end, before the page goes; nothing that was recorded may be lost."""

    def plot(self, made: Plot) -> Plot:
        """Connect a plot of this page to the window."""
        made.keep_wanted.connect(self.desk.keep_plot)
        return made


def label(text: str = "", kind: str = "", *, wrap: bool = True) -> QLabel:
    """Make a label of a kind of the style sheet."""
    made = QLabel(text)
    made.setObjectName(kind)
    made.setWordWrap(wrap)
    made.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
    return made


def named(*fields: tuple[QWidget, str]) -> None:
    """Say what fields are for that have no words beside them: it is read out where nothing is seen."""
    for field, words in fields:
        field.setAccessibleName(words)


def rule(look: Look) -> QFrame:
    """Make a thin line across."""
    made = QFrame()
    made.setObjectName("rule")
    made.setFixedHeight(look.px(1))
    return made


class OneLine(QLabel):
    """Words on one line, cut short with dots where there is no room for them; whole in the tool tip."""

    def __init__(self, kind: str = "") -> None:
        super().__init__()
        self.setObjectName(kind)
        self.setSizePolicy(QSizePolicy.Policy.Ignored, QSizePolicy.Policy.Preferred)

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw as much as there is room for."""
        fits = self.fontMetrics().elidedText(self.text(), Qt.TextElideMode.ElideRight, self.width())
        self.style().drawItemText(QPainter(self), self.rect(), self.alignment(), self.palette(), True, fits, self.foregroundRole())

    def setText(self, text: str) -> None:
        """Say something else."""
        super().setText(text)
        self.setToolTip(text)


class Tall(QWidget):
    """As high as its layout wants to be at its width: a scroll area alone would squeeze labels of several lines. area: round it"""

    def __init__(self, layout: QLayout) -> None:
        super().__init__()
        self.setLayout(layout)
        self.area: QScrollArea | None = None

    def event(self, event: QEvent) -> bool:
        """Grow when the layout or the width changes."""
        done = super().event(event)
        if event.type() in (QEvent.Type.Resize, QEvent.Type.LayoutRequest):
            layout = self.layout()
            if layout is not None:
                self.setMinimumHeight(layout.heightForWidth(self.width()) if layout.hasHeightForWidth() else layout.minimumSize().height())
                if self.area is not None:  # it scrolls up and down only
                    self.area.setMinimumWidth(layout.minimumSize().width() + self.area.verticalScrollBar().sizeHint().width())
        return done


class Stack(QStackedWidget):
    """Asks for the room that the page on top needs, not for that of the largest of all."""

    def __init__(self) -> None:
        super().__init__()
        self.currentChanged.connect(lambda _: self.updateGeometry())

    def minimumSizeHint(self) -> QSize:
        """What the page on top needs."""
        page = self.currentWidget()
        return page.minimumSizeHint() if page else super().minimumSizeHint()


def scrolled(layout: QLayout) -> QScrollArea:
    """Put a layout where it can be scrolled up and down."""
    inside = Tall(layout)
    inside.area = area = roomy(inside)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    return area


def roomy(inside: QWidget) -> QScrollArea:
    """Put a widget where it can be scrolled as soon as there is less room than it needs: squeezed, words would be cut off."""
    area = QScrollArea()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setWidget(inside)
    return area


def column(look: Look, *widgets: QWidget | QLayout, gap: float = 8) -> QVBoxLayout:
    """Stack widgets and layouts."""
    made = QVBoxLayout()
    made.setSpacing(look.px(gap))
    made.setContentsMargins(0, 0, 0, 0)
    for widget in widgets:
        if isinstance(widget, QLayout):
            made.addLayout(widget)
        else:
            made.addWidget(widget)
    return made


def beside(*widgets: QWidget) -> QHBoxLayout:
    """Widgets beside each other, from the left."""
    row = QHBoxLayout()
    for widget in widgets:
        row.addWidget(widget)
    row.addStretch(1)
    return row


def empty(layout: QLayout) -> None:
    """Take everything out of a layout."""
    while item := layout.takeAt(0):
        if widget := item.widget():
            widget.hide()
            widget.setParent(None)
            widget.deleteLater()
        elif inner := item.layout():
            empty(inner)
