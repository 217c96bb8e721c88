"""The line at the foot of the window: what was done, and how far long work is."""

from PySide6.QtCore import QTimer
from PySide6.QtWidgets import QHBoxLayout, QProgressBar, QPushButton, QWidget

from vibekit.gui.desk import label
from vibekit.gui.theme import Look
from vibekit.gui.workers import Workers
from vibekit.wording import sentence

SAID_MS = 12_000


class Foot(QWidget):
    """One message for a while; a bar with its button while work reports how far it is."""

    def __init__(self, look: Look, workers: Workers) -> None:
        super().__init__()
        px = look.px
        self._doing = ""
        self.message = label("", "small")
        self._said = QTimer(self)
        self._said.setSingleShot(True)
        self._said.timeout.connect(self.message.clear)
        self.bar = QProgressBar()
        self.bar.setRange(0, 1000)
        self.bar.setFixedWidth(px(180))
        self.bar.setTextVisible(False)
        self.stop = QPushButton("stop")
        self.stop.setObjectName("quiet")
        self.stop.clicked.connect(lambda: workers.cancel())
        row = QHBoxLayout(self)
        row.setContentsMargins(px(8), px(3), px(8), px(3))
        row.addWidget(self.message, 1)
        row.addWidget(self.bar)
        row.addWidget(self.stop)
        workers.progressed.connect(self._progressed)
        workers.idle.connect(self._idle)
        self._idle()

    def tell(self, words: str) -> None:
        """Show one line for a while."""
        self.message.setText(words)
        self.message.setToolTip(words)
        self._said.start(SAID_MS)

    def _progressed(self, share: float, words: str) -> None:
        self.bar.setValue(round(1000 * share))
        self.bar.setVisible(True)
        self.stop.setVisible(True)
        self._doing = f"{sentence(words)} …"
        self.message.setText(self._doing)

    def _idle(self) -> None:
        self.bar.setVisible(False)
        self.stop.setVisible(False)
        if self.message.text() == self._doing:
            self.message.setText("")
