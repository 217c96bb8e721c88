"""The offer, at the start, to keep recordings that were cut off."""

from collections.abc import Callable

from PySide6.QtWidgets import QHBoxLayout, QPushButton, QWidget

from vibekit.capture.journal import Unfinished
from vibekit.gui.desk import label
from vibekit.gui.theme import Look
from vibekit.moment import local


class CutOff(QWidget):
    """One line about one recording, with keep and leave. Hidden while there is none."""

    def __init__(self, look: Look, keep: Callable[[Unfinished], None]) -> None:
        super().__init__()
        self.found: list[Unfinished] = []
        self.words = label("", "caution")
        self.keep, self.leave = QPushButton("Keep it"), QPushButton("Leave it for now")
        self.keep.setObjectName("first")
        self.keep.clicked.connect(lambda: self._next(keep))
        self.leave.clicked.connect(lambda: self._next(None))
        row = QHBoxLayout(self)
        row.setContentsMargins(look.px(8), look.px(2), look.px(8), look.px(4))
        row.addWidget(self.words, 1)
        row.addWidget(self.keep)
        row.addWidget(self.leave)
        self.hide()

    def offer(self, found: list[Unfinished]) -> None:
        """Offer these, one after the other."""
        self.found = list(found)
        self._show()

    def _next(self, act: Callable[[Unfinished], None] | None) -> None:
        first = self.found.pop(0)
        self._show()
        if act is not None:
            act(first)

    def _show(self) -> None:
        self.setVisible(bool(self.found))
        if self.found:
            one = self.found[0]
            what = ", ".join(filter(None, (one.about.get(name, "") for name in ("craft", "position", "test")))) or "of no craft"
            self.words.setText(f"A recording was cut off: {what}, {one.seconds:.1f} s from {local(one.started)}.")
