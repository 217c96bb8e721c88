"""The window: the strip of rotors above, the tasks of the job at the left in the order in which they are done, one page beside them."""

from collections.abc import Mapping, Sequence

from PySide6.QtCore import QByteArray, QSettings, Qt
from PySide6.QtGui import QCloseEvent, QKeySequence, QShortcut
from PySide6.QtWidgets import (
    QApplication,
    QButtonGroup,
    QComboBox,
    QFileDialog,
    QHBoxLayout,
    QLabel,
    QMainWindow,
    QPushButton,
    QSizePolicy,
    QVBoxLayout,
    QWidget,
)

from vibekit.capture.finishing import finish_journal
from vibekit.capture.journal import Unfinished, unfinished
from vibekit.capture.take import Take
from vibekit.errors import VibekitError
from vibekit.gui.asking import ask_file
from vibekit.gui.balance_page import BalancePage
from vibekit.gui.compare_page import ComparePage
from vibekit.gui.cut_off import CutOff
from vibekit.gui.desk import Desk, OneLine, Page, Stack, roomy, rule, scrolled
from vibekit.gui.export import ENDINGS, save_plot
from vibekit.gui.foot import Foot
from vibekit.gui.invented import put_invented
from vibekit.gui.look_page import LookPage
from vibekit.gui.measure_page import MeasurePage
from vibekit.gui.past_page import PastPage
from vibekit.gui.plot import Plot
from vibekit.gui.run_up_page import RunUpPage
from vibekit.gui.session import Bench, Session
from vibekit.gui.strip import RotorStrip
from vibekit.gui.swap_page import SwapPage
from vibekit.gui.theme import Look
from vibekit.gui.verdict_page import VerdictPage
from vibekit.gui.welcome_page import WelcomePage
from vibekit.gui.workers import Workers
from vibekit.settings import Test
from vibekit.wording import sentence

PAGES: tuple[type[Page], ...] = (LookPage, MeasurePage, ComparePage, PastPage, RunUpPage, SwapPage, BalancePage, VerdictPage)
SCALES = (0.85, 1.0, 1.15, 1.33, 1.5, 1.75, 2.0)


class Window(QMainWindow):
    """The whole window on one session. settings: where its state is kept."""

    def __init__(self, session: Session, settings: QSettings, look: Look | None = None) -> None:
        super().__init__()
        self.session, self.settings = session, settings
        self.look = look or _kept_look(settings)
        self.workers = Workers(self)
        self.workers.failed.connect(self.tell)
        self.stale: set[str] = set()
        self.setWindowTitle("vibekit")
        self._build()
        self.session.watchers.append(self._changed)
        for keys, act in (
            ("Ctrl+Z", self.undo),
            ("Ctrl++", self.larger),
            ("Ctrl+=", self.larger),
            ("Ctrl+-", self.smaller),
            ("Ctrl+D", self.turn),
        ):
            QShortcut(QKeySequence(keys), self, act)
        for number, page in enumerate(PAGES, 1):
            QShortcut(QKeySequence(f"Alt+{number}"), self, lambda name=page.name: self.go(name))
        for number in range(1, 9):
            QShortcut(QKeySequence(f"Ctrl+{number}"), self, lambda number=number: self._choose_number(number))
        self._restore()

    def _build(self) -> None:
        """Make all widgets; also when light and dark or the size of text change."""
        QApplication.setPalette(self.look.palette)
        self.setStyleSheet(self.look.sheet)
        desk = Desk(
            self.look, self.session, self.workers, self.recording, self.tell, self.reload, self.go, self.measure, self.keep_plot,
            self.ask_file,
        )  # fmt: skip
        self.pages = {page.name: page(desk) for page in PAGES}
        self.stale = set(self.pages)
        self.foot = Foot(self.look, self.workers)
        self.message = self.foot.message
        self.strip = RotorStrip(self.look)
        self.strip.chosen.connect(self.session.choose)
        self.stack = Stack()
        for page in self.pages.values():
            self.stack.addWidget(page)
        self.welcome = WelcomePage(desk, self.describe, self.bring_invented)
        self.stack.addWidget(self.welcome)
        body = QHBoxLayout()
        body.setSpacing(0)
        tasks = scrolled(self._tasks())
        tasks.setSizePolicy(QSizePolicy.Policy.Fixed, QSizePolicy.Policy.Preferred)
        body.addWidget(tasks)
        pages = roomy(self.stack)
        for area in (tasks, pages):
            area.setFocusPolicy(Qt.FocusPolicy.NoFocus)  # Tab goes from field to field, which are scrolled to
        body.addWidget(pages, 1)
        whole = QVBoxLayout()
        whole.setContentsMargins(0, 0, 0, 0)
        whole.setSpacing(0)
        whole.addLayout(self._head())
        whole.addWidget(self.strip)
        self.cut_off = CutOff(self.look, self.keep_cut_off)
        whole.addWidget(self.cut_off)
        whole.addWidget(rule(self.look))
        whole.addLayout(body, 1)
        whole.addWidget(rule(self.look))
        whole.addWidget(self.foot)
        inside = QWidget()
        inside.setObjectName("desk")
        inside.setAttribute(Qt.WidgetAttribute.WA_StyledBackground)
        inside.setLayout(whole)
        self.setCentralWidget(inside)
        self._list_crafts()

    def _head(self) -> QHBoxLayout:
        row = QHBoxLayout()
        px = self.look.px
        row.setContentsMargins(px(8), px(4), px(8), 0)
        self.crafts = QComboBox()
        self.crafts.setMinimumContentsLength(16)
        self.crafts.setAccessibleName("craft")
        self.crafts.activated.connect(lambda _: self.open(self.crafts.currentText()))
        self.about = OneLine("small")
        self.undo_button = self._quiet("undo", "nothing was changed yet", self.undo)
        self.turn_button = self._quiet("dark" if self.look.theme == "light" else "light", "light or dark paper (Ctrl+D)", self.turn)
        row.addWidget(QLabel("Craft"))
        row.addSpacing(px(6))
        row.addWidget(self.crafts)
        row.addWidget(
            self._quiet("bring in a description …", "a craft described in a TOML file, as `vibekit craft` writes it", self.describe)
        )
        row.addWidget(self.about, 1)
        for button in (
            self.undo_button,
            self._quiet("A−", "smaller text (Ctrl+-)", self.smaller),
            self._quiet("A+", "larger text (Ctrl++)", self.larger),
            self.turn_button,
        ):
            row.addWidget(button)
        return row

    def _quiet(self, words: str, tip: str, act: object) -> QPushButton:
        button = QPushButton(words)
        button.setObjectName("quiet")
        button.setToolTip(tip)
        button.clicked.connect(lambda _=False: act())  # type: ignore[operator]
        return button

    def _tasks(self) -> QVBoxLayout:
        column = QVBoxLayout()
        px = self.look.px
        column.setContentsMargins(0, px(8), 0, px(8))
        column.setSpacing(px(2))
        self.tasks: dict[str, QPushButton] = {}
        self._task_group = QButtonGroup(self)
        for number, page in enumerate(self.pages.values(), 1):
            button = QPushButton(f"{number}  {page.title}")
            button.setObjectName("task")
            button.setCheckable(True)
            button.setFixedWidth(px(182))
            button.setToolTip(f"Alt+{number}")
            button.clicked.connect(lambda _=False, name=page.name: self.go(name))
            self._task_group.addButton(button)
            self.tasks[page.name] = button
            column.addWidget(button)
        column.addStretch(1)
        return column

    def tell(self, words: str) -> None:
        """Show one line at the foot for a while."""
        self.foot.tell(words)

    def go(self, name: str) -> None:
        """Show a page; while no craft is open, what to do first."""
        self.wanted = name
        self.stack.setCurrentWidget(self.pages[name] if self.session.bench else self.welcome)
        self.tasks[name].setChecked(True)
        self._refresh()

    def measure(self, position: str, test: Test) -> None:
        """Choose a rotor, and show the page that makes this test of it."""
        self.session.choose(position)
        self.go(MeasurePage.name)
        if isinstance(self.page, MeasurePage) and test in self.page.steps:
            self.page.choose_test(test)

    @property
    def page(self) -> Page:
        """The page that is shown."""
        page = self.stack.currentWidget()
        assert isinstance(page, Page)
        return page

    def open(self, name: str) -> None:
        """Gather a craft and show it."""
        self.workers.start("craft", lambda step: self.session.gather(name, step), self._opened)

    def reload(self) -> None:
        """Gather the craft that is shown anew, after the archive was changed."""
        self._list_crafts()
        if self.session.bench is not None:
            self.open(self.session.bench.name)

    def start(self) -> None:
        """Show what was shown last, or else the first craft."""
        names = self._list_crafts()
        last = str(self.settings.value("craft", ""))
        if names:
            self.open(last if last in names else names[0])
        self.cut_off.offer(unfinished(self.session.place.takes))
        self._refresh()

    def keep_cut_off(self, found: Unfinished) -> None:
        """Make a file of a recording that was cut off, then analyse it as what it is of."""
        self.workers.start("finish", lambda step: finish_journal(found.path), lambda take: self._take_up(take, found.about))

    def _take_up(self, take: Take, about: Mapping[str, str]) -> None:
        page, bench, position = self.pages[MeasurePage.name], self.session.bench, about.get("position", "")
        assert isinstance(page, MeasurePage)
        if bench is None or bench.name != about.get("craft") or position not in bench.positions:
            self.tell(f"Its file is {take.path}; open its craft, then bring it in under “Measure”.")
            return
        self.session.choose(position)
        self.go(page.name)
        page.take_up(take, about)

    def _list_crafts(self) -> list[str]:
        names = [craft.name for craft in self.session.crafts()]
        chosen = self.session.bench.name if self.session.bench else ""
        self.crafts.clear()
        self.crafts.addItems(names)
        self.crafts.setCurrentText(chosen)
        return names

    def _opened(self, bench: Bench) -> None:
        last = str(self.settings.value("position", ""))
        if self.session.position is None and last in bench.positions:
            self.session.position = last
        self.session.show(bench)
        self.crafts.setCurrentText(bench.name)

    def bring_invented(self) -> None:
        """Put the demo's craft into the archive and show it."""
        self.workers.start("demo", lambda step: put_invented(self.session.archive, step), self._brought)

    def _brought(self, name: str) -> None:
        self._list_crafts()
        self.open(name)

    def _changed(self) -> None:
        self.stale = set(self.pages)
        self.go(self.wanted)

    def _refresh(self) -> None:
        bench, changes = self.session.bench, self.session.changes
        self.strip.show_bench(bench, self.session.position)
        facts = (
            [bench.craft.owner, bench.craft.job and f"job {bench.craft.job}", bench.craft.way and bench.craft.way.title] if bench else []
        )
        self.about.setText(" · ".join(str(fact) for fact in facts if fact))
        self.undo_button.setEnabled(bool(changes))
        self.undo_button.setToolTip(f"undo: {changes[-1].words} (Ctrl+Z)" if changes else "nothing was changed yet")
        page = self.page
        if page.name in self.stale:
            self.stale.discard(page.name)
            page.refresh()

    def undo(self) -> None:
        """Undo the newest change of the archive."""
        try:
            words = self.session.undo()
        except VibekitError as error:
            self.tell(sentence(str(error)))
            return
        self.tell(f"Undone: {words}.")
        self.reload()

    def describe(self) -> None:
        """Bring in a craft's description."""
        file, _ = QFileDialog.getOpenFileName(self, "A craft's description", "", "descriptions (*.toml)")
        if file:
            self.take_in(file)

    def take_in(self, file: str) -> None:
        """Keep a craft from its file and show it."""
        try:
            name = self.session.describe(file)
        except VibekitError as error:
            self.tell(sentence(str(error)))
            return
        self._brought(name)

    def turn(self) -> None:
        """Change between light and dark paper."""
        self.dress(Look("dark" if self.look.theme == "light" else "light", self.look.scale))

    def recording(self) -> bool:
        """Something is recorded on one of the pages."""
        return any(page.busy for page in self.pages.values())

    def larger(self) -> None:
        """Make text larger."""
        self._resize_text(1)

    def smaller(self) -> None:
        """Make text smaller."""
        self._resize_text(-1)

    def _resize_text(self, by: int) -> None:
        near = min(range(len(SCALES)), key=lambda i: abs(SCALES[i] - self.look.scale))
        self.dress(Look(self.look.theme, SCALES[min(max(near + by, 0), len(SCALES) - 1)]))

    def dress(self, look: Look) -> None:
        """Look otherwise: all widgets are made anew, what is chosen stays. Not while a recording runs, which is shown by one of them."""
        if self.recording():
            self.tell("A recording runs; stop it first.")
            return
        shown = self.wanted
        self.look = look
        self._build()
        self.go(shown)

    def _choose_number(self, number: int) -> None:
        bench = self.session.bench
        if bench and number <= len(bench.positions):
            self.session.choose(bench.positions[number - 1])

    def ask_file(self, title: str, proposed: str, endings: Sequence[str]) -> str:
        """Ask for the name of a file to write, with one of the endings; "" when the user thinks better of it."""
        return ask_file(self, self.settings, title, proposed, endings)

    def keep_plot(self, plot: Plot) -> None:
        """Ask where, then keep a plot as a picture or its numbers, by the ending of the name."""
        if file := self.ask_file("Keep this plot", f"{plot.accessibleName()}.png", ENDINGS):
            try:
                self.tell(f"Kept: {save_plot(plot, file)}")
            except VibekitError as error:
                self.tell(sentence(str(error)))

    def _restore(self) -> None:
        geometry = self.settings.value("geometry")
        if isinstance(geometry, QByteArray):
            self.restoreGeometry(geometry)
        else:
            self.resize(self.look.px(1280), self.look.px(720))
        last = str(self.settings.value("page", ""))
        self.go(last if last in self.pages else next(iter(self.pages)))

    def closeEvent(self, event: QCloseEvent) -> None:
        """Keep the window's state and let work end."""
        for key, value in (
            ("geometry", self.saveGeometry()),
            ("page", self.wanted),
            ("theme", self.look.theme),
            ("scale", self.look.scale),
            ("craft", self.session.bench.name if self.session.bench else ""),
            ("position", self.session.position or ""),
        ):
            self.settings.setValue(key, value)
        self.settings.sync()
        QApplication.setOverrideCursor(Qt.CursorShape.WaitCursor)
        for page in self.pages.values():
            page.end()
        self.workers.finish()
        QApplication.restoreOverrideCursor()
        event.accept()


def _kept_look(settings: QSettings) -> Look:
    screen = QApplication.primaryScreen()
    fits = max(1.0, screen.availableGeometry().height() / 1080) if screen else 1.0
    dark = QApplication.styleHints().colorScheme() == Qt.ColorScheme.Dark
    theme = str(settings.value("theme", "dark" if dark else "light"))
    return Look("dark" if theme == "dark" else "light", float(str(settings.value("scale", fits))))
