"""Pictures of every page, on light and dark paper and at two sizes, to be looked at before a change is called done."""

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TypeVar

import soundfile
from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from vibekit.balance_bench import BalanceBench
from vibekit.balance_job import BalanceJob
from vibekit.capture.reader import Reader
from vibekit.capture.recorder import Push
from vibekit.capture.take import Form
from vibekit.gui.app import application
from vibekit.gui.balance_page import BalancePage
from vibekit.gui.compare_page import ComparePage
from vibekit.gui.desk import Page
from vibekit.gui.invented import SETUP, put_invented
from vibekit.gui.look_page import LookPage
from vibekit.gui.measure_page import MeasurePage
from vibekit.gui.run_up_page import RunUpPage
from vibekit.gui.session import Session, Stated
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.marks import Theme
from vibekit.packing import pack
from vibekit.place import find_place
from vibekit.recording import Recording
from vibekit.rig import record
from vibekit.scene import HURT, POSITIONS, bench_craft, speed_rpm
from vibekit.settings import Test
from vibekit.spots import spots_from
from vibekit.wording import TEST_WORDS

P = TypeVar("P", bound=Page)
SIZES: tuple[tuple[int, int, float], ...] = ((1280, 720, 1.0), (2560, 1440, 1.5))
Scenes = list[tuple[str, Callable[[Window], object]]]
THEMES: tuple[Theme, ...] = ("light", "dark")
PATIENCE_S, PASSES = 60.0, 30
LIVE_PAINTS, BLOCK_S = 90, 0.02
SWAP_TAKES: tuple[Test, ...] = ("prop", "prop", "bare")


def draw_pictures(folder: str | Path) -> Iterator[Path]:
    """Draw every page of the window on the demo's craft, and the first start; give each file when it is written."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    app = application()
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as away, Session(find_place(Path(away) / "archive")) as session:
        settings = QSettings(str(Path(away) / "window.ini"), QSettings.Format.IniFormat)
        for fill, scenes in stages_of(session, Path(away)):
            fill()
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
                        for page in window.pages.values():
                            page.end()
                        yield path
                    window.close()
                    session.watchers.clear()


def stages_of(session: Session, away: Path) -> list[tuple[Callable[[], None], Scenes]]:
    """Say what the archive holds, step by step, and what is drawn then."""

    def fill() -> None:
        name = put_invented(session.archive)
        session.show(session.gather(name))
        _measure_more(session, away)
        session.show(session.gather(name))
        session.choose("south-west")

    def swap() -> None:
        _swap(session, away)
        session.show(session.gather("Wren-4"))

    return [(lambda: None, [("first-start", lambda w: w.go("look"))]), (fill, scenes_of(away)), (swap, [("swap", _show_swap)])]


def _show_swap(window: Window) -> None:
    window.session.choose("south-west")
    window.go("swap")


class Played:
    """Plays a recording of the rig as a source would deliver it."""

    def __init__(self, recording: Recording) -> None:
        self.form = Form(recording.rate_hz, recording.channels, "the kit's rig")
        self._samples = recording.samples
        self._stopped = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, push: Push) -> None:
        """Deliver in real time."""
        self._thread = threading.Thread(target=self._play, args=(push,), daemon=True)
        self._thread.start()

    def _play(self, push: Push) -> None:
        block = round(self.form.rate_hz * BLOCK_S)
        for first in range(0, self._samples.shape[1], block):
            if self._stopped.wait(BLOCK_S) or not push(self._samples[:, first : first + block].T):
                return

    def stop(self) -> None:
        """Deliver nothing more."""
        self._stopped.set()
        if self._thread:
            self._thread.join()

    def trouble(self) -> str:
        """All is well."""
        return ""


def _measure_more(session: Session, away: Path) -> None:
    """A run-up of one motor, hand-spins of all, and two balancing jobs: one that has had its trial, one that mounts it."""
    craft = bench_craft()

    def file(name: str, rotor: int, test: Test, *, tacho: bool = False, take: int = 0, added: complex = 0) -> Path:
        fault = HURT.get(rotor) if test == "hand-spin" else None
        sound, _ = record(craft, rotor=rotor, test=test, fault=fault, take=take, refit=7, tacho=tacho, added_gmm=added)
        path = away / f"{name}.wav"
        soundfile.write(path, sound.samples.T, round(sound.rate_hz), subtype="FLOAT")
        return path

    session.keep(session.measure([file("run-up", 2, "run-up")], Stated("south-west", "run-up", sensor="contact", setup=SETUP)))
    for rotor, position in enumerate(POSITIONS):
        session.keep(session.measure([file(f"flick-{position}", rotor, "hand-spin")], Stated(position, "hand-spin", sensor="contact")))
    for rotor, position, mounts in ((2, "south-west", False), (3, "north-west", True)):
        job = BalanceJob("Wren-4", position, "phase", spots_from(["blades@45", "hub@6"], 2), propeller_g=4.0, rotor_g=30.0, setup=SETUP)
        bench = BalanceBench(session.archive, job)
        settings = session.settings_of(Stated(position, "prop"))
        reader = Reader(roles=("vibration", "tacho"))
        added = 0j
        for state in range(1 if mounts else 2):
            for take in range(job.repeats):
                path = file(f"balance-{position}-{state}-{take}", rotor, "prop", tacho=True, take=40 + 10 * state + take, added=added)
                bench.add(path, reader.read(path), settings, pack(reader))
            bench.overrule()
            if state == 0 and bench.step.kind == "trial":
                added = sum((weight.unbalance for weight in bench.step.weights), 0j)
                bench.do(bench.step)


def _swap(session: Session, away: Path) -> None:
    """The propeller of the gritty motor changes places with that of a sound one."""
    pair = ((2, "south-west"), (0, "north-east"))
    for side in ("before", "after"):
        for rotor, position in pair:
            for take, test in enumerate(SWAP_TAKES):
                sound, _ = record(
                    bench_craft(), rotor=rotor, test=test, fault=HURT.get(rotor), take=70 + take + 10 * (side == "after"), refit=8 + take
                )
                path = away / f"{side}-{position}-{take}.wav"
                soundfile.write(path, sound.samples.T, round(sound.rate_hz), subtype="FLOAT")
                session.keep(session.measure([path], Stated(position, test, float(speed_rpm()), "contact", SETUP)))
        if side == "before":
            session.keep_swap("south-west", "north-east")


def _settle(app: QApplication, window: Window) -> None:
    """Let work end, then layouts come to rest."""
    began, passes = time.monotonic(), 0
    while passes < PASSES and time.monotonic() - began < PATIENCE_S:
        app.processEvents()
        time.sleep(0.005)
        passes = 0 if window.workers.busy else passes + 1


def _much_was_heard(page: MeasurePage) -> bool:
    live = page.live.live
    moving = page.test == "run-up"
    return page.live.paints > LIVE_PAINTS and live is not None and (live.map is not None if moving else live.speed is not None)


def _wait(done: Callable[[], bool]) -> None:
    began = time.monotonic()
    while time.monotonic() - began < PATIENCE_S and not done():
        QApplication.processEvents()
        time.sleep(0.005)


def _at(window: Window, kind: type[P]) -> P:
    """Go to a page and give it."""
    window.go(kind.name)
    assert isinstance(window.page, kind)
    return window.page


def scenes_of(away: Path) -> Scenes:
    """Name the pages and what is done on each before it is drawn."""

    def look(window: Window) -> None:
        window.session.choose("south-west")
        page = _at(window, LookPage)
        for question, position, word in (
            ("battery-out", "", "yes"),
            ("props-off", "", "yes"),
            ("prop-edge", "south-west", "nicked"),
        ):
            page.answer(question, position, word)

    def measure(window: Window) -> None:
        page = _at(window, MeasurePage)
        bench = window.session.bench
        assert bench is not None
        kept = bench.motor("south-west").kept[-1]
        file = away / kept.name
        if not file.exists():
            file.symlink_to(kept.stored)
        page.choose_source("file")
        page.choose_test("prop")
        page.bring_in([str(file)])

    def over(window: Window) -> None:
        window.session.choose("south-west")
        page = _at(window, ComparePage)
        page.tests.setCurrentIndex(page.tests.findText(TEST_WORDS["bare"]))
        page.together.click()
        page.laid.setCurrentIndex(page.laid.findData("bearing-grit"))
        page.ask(3.0)

    def apart(window: Window) -> None:
        page = _at(window, ComparePage)
        page.laid.setCurrentIndex(0)
        page.apart.click()

    def every(window: Window) -> None:
        page = _at(window, ComparePage)
        page.every.click()

    def live(test: Test) -> Callable[[Window], object]:
        def arrange(window: Window) -> None:
            page = _at(window, MeasurePage)
            page.drop_results()
            page.choose_test(test)
            page.choose_source("sound card")
            page.live.row.open(lambda: Played(record(bench_craft(), rotor=2, test=test, duration_s=8.0)[0]))
            _wait(lambda: page.live.row.state == "recording" and _much_was_heard(page))

        return arrange

    def by_hand(window: Window) -> None:
        page = _at(window, ComparePage)
        page.together.click()
        page.tests.setCurrentIndex(page.tests.findText(TEST_WORDS["hand-spin"]))

    def against_hz(window: Window) -> None:
        page = _at(window, RunUpPage)
        page.hertz.click()

    def phone(window: Window) -> None:
        page = _at(window, MeasurePage)
        page.choose_source("phone")

    def begin_balance(window: Window) -> None:
        window.session.choose("south-east")
        window.go("balance")

    def balance(window: Window) -> None:
        window.session.choose("south-west")
        window.go("balance")

    def balance_live(window: Window) -> None:
        window.session.choose("north-west")
        page = _at(window, BalancePage)
        page.row.open(lambda: Played(record(bench_craft(), rotor=3, test="prop", duration_s=8.0, tacho=True, take=49)[0]))
        _wait(lambda: page.now.value is not None)

    def first_steps(window: Window) -> None:
        window.session.choose("south-east")
        window.go("swap")

    return [
        ("look", look),
        ("measure-phone", phone),
        ("measure-live", live("prop")),
        ("measure-run-up", live("run-up")),
        ("measure-file", measure),
        ("compare-coast", by_hand),
        ("run-up-order", lambda window: window.go("run-up")),
        ("run-up-hz", against_hz),
        ("balance-begin", begin_balance),
        ("balance", balance),
        ("balance-live", balance_live),
        ("swap-begin", first_steps),
        ("compare-over", over),
        ("compare-apart", apart),
        ("compare-every", every),
        ("past", lambda window: window.go("past")),
        ("verdict", lambda window: window.go("verdict")),
    ]
