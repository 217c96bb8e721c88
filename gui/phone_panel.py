"""A phone as sensor: a QR code to open its page, and what comes from it."""

import asyncio
import threading
from collections.abc import Callable

from PySide6.QtCore import QRectF, Qt, Signal
from PySide6.QtGui import QPainter, QPaintEvent
from PySide6.QtWidgets import QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from vibekit.errors import VibekitError
from vibekit.gui.desk import Desk, label
from vibekit.gui.phone_plan import Serving, open_server
from vibekit.gui.session import Stated
from vibekit.wording import sentence

HOW = (
    "Scan the code with the phone; both must be in the same network. The phone will warn that it does not know this computer: compare the "
    "fingerprint, then go on. The code works for one phone."
)


class Squares(QWidget):
    """A QR code, always dark on white: cameras want it so."""

    def __init__(self, side: int) -> None:
        super().__init__()
        self.squares: tuple[tuple[bool, ...], ...] = ()
        self.setFixedSize(side, side)
        self.setAccessibleName("QR code of the page for the phone")

    def paintEvent(self, event: QPaintEvent) -> None:
        """Draw the squares with their quiet margin."""
        if not self.squares:
            return
        painter = QPainter(self)
        painter.fillRect(self.rect(), Qt.GlobalColor.white)
        size = self.width() / (len(self.squares) + 8)
        for y, row in enumerate(self.squares):
            for x, dark in enumerate(row):
                if dark:
                    painter.fillRect(QRectF((x + 4) * size, (y + 4) * size, size + 0.6, size + 0.6), Qt.GlobalColor.black)


class PhonePanel(QWidget):
    """Serves one phone until stopped. `came` gives each recording, from the thread that serves."""

    came = Signal(object)
    said = Signal(str)

    def __init__(self, desk: Desk, stated: Callable[[], Stated]) -> None:
        super().__init__()
        self.desk, self.stated = desk, stated
        self.serving: Serving | None = None
        self._server: threading.Thread | None = None
        px = desk.look.px
        self.code = Squares(px(230))
        self.words, self.news = label(HOW), label("", "small")
        self.go = QPushButton("Wait for a phone")
        self.go.setObjectName("first")
        self.go.clicked.connect(self.toggle)
        text = QVBoxLayout()
        text.addWidget(self.words)
        row = QHBoxLayout()
        row.addWidget(self.go)
        row.addStretch(1)
        text.addLayout(row)
        text.addWidget(self.news)
        text.addStretch(1)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(0, 0, 0, 0)
        whole.addWidget(self.code)
        whole.addLayout(text, 1)
        self.code.hide()
        self.said.connect(self.news.setText)

    def toggle(self) -> None:
        """Begin to listen, or stop."""
        if self.serving is not None:
            self.end()
            return
        try:
            self.serving = serving = open_server(self.desk.session, self.stated(), self.came.emit, self.said.emit)
        except VibekitError as error:
            self.news.setText(sentence(str(error)))
            return
        self.code.squares = serving.squares
        self.code.setVisible(True)
        self.code.update()
        self.words.setText(f"{HOW}\n\n{serving.url}\n\nSHA-256 of the certificate begins with {serving.fingerprint[:23]}")
        self.news.setText("Listening.")
        self.go.setText("Stop listening")
        self._server = threading.Thread(target=self._serve, args=(serving,), name="vibekit phone", daemon=True)
        self._server.start()

    def _serve(self, serving: Serving) -> None:
        try:
            asyncio.run(serving.serve())
        except VibekitError as error:
            self.said.emit(sentence(str(error)))

    def end(self) -> None:
        """Stop listening; a recording under way is kept."""
        serving, self.serving = self.serving, None
        if serving is not None:
            serving.stop()
            if self._server is not None:
                self._server.join(timeout=30)
        self.code.hide()
        self.words.setText(HOW)
        self.news.setText("")
        self.go.setText("Wait for a phone")
