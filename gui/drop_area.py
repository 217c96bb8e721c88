"""A place to drop recordings."""

from PySide6.QtCore import Qt, Signal
from PySide6.QtGui import QDragEnterEvent, QDropEvent
from PySide6.QtWidgets import QFileDialog, QHBoxLayout, QPushButton, QWidget

from vibekit.capture.files import EXTENSIONS
from vibekit.gui.desk import Desk, label


class DropArea(QWidget):
    """Takes files that are dropped, or chosen."""

    dropped = Signal(list)

    def __init__(self, desk: Desk, words: str) -> None:
        super().__init__()
        self.setObjectName("drop")
        self.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        self.setAcceptDrops(True)
        row = QHBoxLayout(self)
        row.addWidget(label(words), 1)
        button = QPushButton("choose files …")
        button.clicked.connect(self._ask)
        row.addWidget(button)
        self.setFixedHeight(desk.look.px(64))

    def _ask(self) -> None:
        wanted = " ".join(f"*{ending}" for ending in EXTENSIONS)
        files, _ = QFileDialog.getOpenFileNames(self, "Recordings of this rotor", "", f"recordings ({wanted});;all files (*)")
        if files:
            self.dropped.emit(files)

    def dragEnterEvent(self, event: QDragEnterEvent) -> None:
        """Let files in."""
        if event.mimeData().hasUrls():
            event.acceptProposedAction()

    def dropEvent(self, event: QDropEvent) -> None:
        """Take them."""
        self.dropped.emit([url.toLocalFile() for url in event.mimeData().urls() if url.isLocalFile()])
