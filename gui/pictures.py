"""Pictures of every page, on light and dark paper and at two sizes, to be looked at before a change is called done."""

import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from vibekit.gui.app import application
from vibekit.gui.compare_page import ComparePage
from vibekit.gui.invented import put_invented
from vibekit.gui.look_page import LookPage
from vibekit.gui.measure_page import MeasurePage
from vibekit.gui.session import Session
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.marks import Theme
from vibekit.place import find_place

SIZES: tuple[tuple[int, int, float], ...] = ((1280, 720, 1.0), (2560, 1440, 1.5))
THEMES: tuple[Theme, ...] = ("light", "dark")
PATIENCE_S, SETTLE_S = 60.0, 0.2


def draw_pictures(folder: str | Path) -> Iterator[Path]:
    """Draw every page of the window on the demo's craft, and the first start; give each file when it is written."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    app = application()
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as away, Session(find_place(Path(away) / "archive")) as session:
        settings = QSettings(str(Path(away) / "window.ini"), QSettings.Format.IniFormat)
        scenes: list[tuple[str, Callable[[Window], object]]] = [("first-start", lambda w: w.go("look"))]
        for filled in (False, True):
            if filled:
                name = put_invented(session.archive)
                session.show(session.gather(name))
                session.choose("south-west")
                scenes = scenes_of(Path(away))
            for theme in THEMES:
                for width, height, scale in SIZES:
                    window = Window(session, settings, Look(theme, scale))
                    window.resize(width, height)
                    window.show()
                    for title, arrange in scenes:
                        arrange(window)
                        _settle(app, window)
                        path = folder / f"{title}-{theme}-{width}x{height}.png"
                        window.grab().save(str(path))
                        yield path
                    window.close()
                    session.watchers.clear()


def _settle(app: QApplication, window: Window) -> None:
    """Let work end and layouts come to rest."""
    began = time.monotonic()
    while (window.workers.busy and time.monotonic() - began < PATIENCE_S) or time.monotonic() - began < SETTLE_S:
        app.processEvents()
        time.sleep(0.005)


def scenes_of(away: Path) -> list[tuple[str, Callable[[Window], object]]]:
    """Name the pages and what is done on each before it is drawn."""

    def look(window: Window) -> None:
        window.go("look")
        page = window.page
        assert isinstance(page, LookPage)
        for question, position, word in (
            ("battery-out", "", "yes"),
            ("props-off", "", "yes"),
            ("prop-edge", "south-west", "nicked"),
        ):
            page.answer(question, position, word)

    def measure(window: Window) -> None:
        window.go("measure")
        assert isinstance(window.page, MeasurePage)
        bench = window.session.bench
        assert bench is not None
        kept = bench.motor("south-west").kept[-1]
        file = away / kept.name
        if not file.exists():
            file.symlink_to(kept.stored)
        window.page.bring_in([str(file)])

    def over(window: Window) -> None:
        window.go("compare")
        assert isinstance(window.page, ComparePage)
        window.page.together.click()
        window.page.laid.setCurrentIndex(window.page.laid.findData("bearing-grit"))
        window.page.ask(3.0)

    def apart(window: Window) -> None:
        window.go("compare")
        assert isinstance(window.page, ComparePage)
        window.page.laid.setCurrentIndex(0)
        window.page.apart.click()

    return [
        ("look", look),
        ("measure-file", measure),
        ("compare-over", over),
        ("compare-apart", apart),
        ("past", lambda window: window.go("past")),
        ("verdict", lambda window: window.go("verdict")),
    ]
