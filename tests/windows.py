"""Windows of the kit on an archive of a test, and what a hand does with them."""

from contextlib import contextmanager

from PySide6.QtCore import QMimeData, QPointF, QSettings, Qt, QUrl
from PySide6.QtGui import QDropEvent
from PySide6.QtWidgets import QLabel

from vibekit.gui.app import application
from vibekit.gui.drop_area import DropArea
from vibekit.gui.session import Session
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.place import find_place

WAIT_MS = 60_000
LIGHT = Look()


@contextmanager
def opening(qtbot, tmp_path):
    """Gives what opens a window on an archive; all of them are closed at the end."""
    application()
    made = []

    def open_on(folder, look=LIGHT):
        session = Session(find_place(folder))
        window = Window(session, QSettings(str(tmp_path / "window.ini"), QSettings.Format.IniFormat), look)
        qtbot.addWidget(window)
        window.resize(1280, 720)
        window.show()
        window.start()
        rest(qtbot, window)
        made.append((session, window))
        return window

    yield open_on
    for session, window in made:
        window.close()
        session.close()


def rest(qtbot, window):
    """Wait until nothing is at work behind the window."""
    qtbot.waitUntil(lambda: not window.workers.busy, timeout=WAIT_MS)
    qtbot.wait(30)


def drop(place, paths):
    """Drop files where a page takes them, or the page for measuring."""
    data = QMimeData()
    data.setUrls([QUrl.fromLocalFile(str(path)) for path in paths])
    left = Qt.MouseButton.LeftButton
    event = QDropEvent(QPointF(5, 5), Qt.DropAction.CopyAction, data, left, Qt.KeyboardModifier.NoModifier)
    page = place.pages["measure"] if isinstance(place, Window) else place
    page.findChild(DropArea).dropEvent(event)


def texts(page, kind=""):
    return [label.text() for label in page.findChildren(QLabel, kind or None)]


def card(window, position):
    return next(card for card in window.strip.cards if card.position == position)


def answer(monkeypatch, file, kind=""):
    """What the dialog that asks for a file's name will say."""
    monkeypatch.setattr("vibekit.gui.asking.QFileDialog.getSaveFileName", lambda *_: (str(file), kind))
