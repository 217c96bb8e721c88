"""The window as a program."""

import sys

import pyqtgraph as pg
from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from vibekit.gui.session import Session
from vibekit.gui.window import Window
from vibekit.place import Place


def application() -> QApplication:
    """Give the one application, made when there is none."""
    app = QApplication.instance()
    if not isinstance(app, QApplication):
        app = QApplication(sys.argv[:1])
    app.setApplicationName("vibekit")
    app.setStyle("Fusion")
    pg.setConfigOptions(imageAxisOrder="row-major", antialias=False)
    return app


def kept_settings() -> QSettings:
    """Give where the window's state is kept between two starts."""
    return QSettings(QSettings.Format.IniFormat, QSettings.Scope.UserScope, "vibekit", "window")


def open_window(place: Place) -> int:
    """Show the window until it is closed; give the exit status."""
    app = application()
    with Session(place) as session:
        window = Window(session, kept_settings())
        window.show()
        window.start()
        return app.exec()
