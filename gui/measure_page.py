"""One test, step by step: what to do and what to beware of, where the recording comes from, what screening says, keep or repeat."""

from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any, get_args

from PySide6.QtWidgets import (
    QButtonGroup,
    QComboBox,
    QHBoxLayout,
    QLineEdit,
    QPushButton,
    QSizePolicy,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from vibekit.capture.reader import Reader
from vibekit.capture.take import Take
from vibekit.errors import UsageError, VibekitError
from vibekit.gui.desk import Desk, Page, column, empty, label, named, rule, scrolled
from vibekit.gui.drop_area import DropArea
from vibekit.gui.live_panel import LivePanel
from vibekit.gui.phone_panel import PhonePanel
from vibekit.gui.phone_plan import Came
from vibekit.gui.session import Stated
from vibekit.gui.sources import Offer, serial_sensors, sound_cards
from vibekit.kept import NewReading
from vibekit.recording import SENSORS, UNITS
from vibekit.settings import Settings, Test
from vibekit.turning import ADVICE, BLADES, HANDS, POWER
from vibekit.wording import SENSOR_WORDS, TEST_WORDS, sentence, speed_words

SOURCES = {"file": 0, "sound card": 1, "serial sensor": 1, "phone": 2}


class MeasurePage(Page):
    """The test that is made now on the chosen rotor."""

    name, title = "measure", "Measure"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.test: Test = "bare"
        self.pending: list[NewReading] = []
        self.steps: dict[Test, QPushButton] = {}
        self.plan, self.said, self.results = QVBoxLayout(), QVBoxLayout(), QVBoxLayout()
        self.speed, self.setup, self.roles = QLineEdit(), QLineEdit(), QLineEdit()
        self.sensor, self.unit = QComboBox(), QComboBox()
        self.sources = QStackedWidget()
        self.source_buttons: dict[str, QPushButton] = {}
        self._live_source = "sound card"
        self._lay_out()

    def _lay_out(self) -> None:
        px = self.look.px
        steps = column(self.look, self.plan, rule(self.look), self.said, gap=6)
        steps.setContentsMargins(0, 0, px(8), 0)
        steps.addStretch(1)
        area = scrolled(steps)
        area.setFixedWidth(px(330))
        right = QVBoxLayout()
        right.setSpacing(px(6))
        right.addLayout(self._stated())
        right.addLayout(self._choice())
        right.addWidget(self.sources, 1)
        right.addLayout(self.results)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(px(14), px(8), px(8), px(6))
        whole.setSpacing(px(10))
        whole.addWidget(area)
        whole.addLayout(right, 1)

    def _stated(self) -> QHBoxLayout:
        row = QHBoxLayout()
        for sensor in (None, *SENSORS):
            self.sensor.addItem(SENSOR_WORDS[sensor], sensor)
        named((self.sensor, "sensor"), (self.speed, "speed, rpm"), (self.setup, "set-up"), (self.roles, "channels"), (self.unit, "unit"))
        self.sensor.setToolTip("what listens; it decides what can be judged")
        self.speed.setPlaceholderText("speed, rpm")
        self.speed.setToolTip("shaft speed in rpm where it is known; left open, it is looked for in the recording")
        self.speed.setFixedWidth(self.look.px(100))
        self.setup.setPlaceholderText("set-up: sensor's place and fixing, gain")
        self.setup.setToolTip("levels are compared only within one set-up")
        self.roles.setPlaceholderText("channels: vibration,tacho")
        self.roles.setToolTip("what each channel of a file holds: vibration, tacho, telemetry or ignore; left open, the file decides")
        self.unit.addItem("unit as in the file", None)
        for unit in UNITS[:5]:
            self.unit.addItem(unit, unit)
        self.unit.setToolTip("unit of the vibration channels, where the file does not say")
        for widget in (self.sensor, self.speed, self.setup):
            row.addWidget(widget)
        return row

    def _from_file(self) -> QWidget:
        drop = DropArea(self.desk, "Drop recordings of this rotor here: sound files, what phones write, or text logs of time and axes.")
        drop.dropped.connect(self.bring_in)
        row = QHBoxLayout()
        for widget in (label("What the file does not say:", wrap=False), self.roles, self.unit):
            row.addWidget(widget)
        made, both = QWidget(), column(self.look, drop, row, gap=6)
        both.addStretch(1)
        made.setLayout(both)
        return made

    def _choice(self) -> QHBoxLayout:
        row = QHBoxLayout()
        self._source_group = QButtonGroup(self)
        row.addWidget(label("From", wrap=False))
        self.live = LivePanel(self.desk, self._what_for, self._find)
        self.live.row.taken.connect(self._taken)
        self.live.row.began.connect(self.drop_results)
        self.phone = PhonePanel(self.desk, lambda: self.stated)
        self.phone.came.connect(self._came)
        self.taking: Stated | None = None
        for widget in (self._from_file(), self.live, self.phone):
            self.sources.addWidget(widget)
        for name in SOURCES:
            button = QPushButton(name)
            button.setCheckable(True)
            button.clicked.connect(partial(self.choose_source, name))
            self._source_group.addButton(button)
            self.source_buttons[name] = button
            row.addWidget(button)
        self.source_buttons["file"].setChecked(True)
        row.addStretch(1)
        return row

    @property
    def source(self) -> str:
        """Name of the source that is chosen."""
        return next(name for name, button in self.source_buttons.items() if button.isChecked())

    def choose_source(self, name: str, _checked: bool = False) -> None:
        """Show where the recording comes from. While one is recorded the source stays."""
        if self.live.row.state:
            name = next(n for n in ("sound card", "serial sensor") if n == self._live_source)
        self.source_buttons[name].setChecked(True)
        self.sources.setCurrentIndex(SOURCES[name])
        for number in range(self.sources.count()):
            shown = number == self.sources.currentIndex()
            policy = QSizePolicy.Policy.Preferred if shown else QSizePolicy.Policy.Ignored
            if widget := self.sources.widget(number):
                widget.setSizePolicy(policy, policy)
        if SOURCES[name] == 1 and not self.live.row.state:
            self._live_source = name
            self.live.row.list_devices()

    def _find(self) -> list[Offer]:
        return serial_sensors() if self._live_source == "serial sensor" else sound_cards(self.sensor.currentData())

    def _what_for(self) -> tuple[Settings, dict[str, str]]:
        """What the recording that begins now is of."""
        self.taking = stated = self.stated
        bench = self.session.bench
        about = {"craft": bench.name if bench else "", "position": stated.position, "test": stated.test or "", "setup": stated.setup}
        return self.session.settings_of(stated), about

    def _taken(self, take: Take) -> None:
        """A recording made here is complete."""
        if self.taking is not None:
            self._analyse([str(take.path)], replace(self.taking, reader=Reader()))

    def take_up(self, take: Take, about: Mapping[str, str]) -> None:
        """A recording that was cut off has become a file."""
        test: Test | None = next((known for known in get_args(Test) if known == about.get("test")), None)
        stated = Stated(about["position"], test, sensor=take.account.form.sensor, setup=about.get("setup", ""))
        if test is not None and test in self.steps:
            self.choose_test(test)
        self._analyse([str(take.path)], stated)

    def _came(self, came: Came) -> None:
        """A recording came from the phone."""
        stated = replace(came.stated, reader=Reader(), sensor=came.sensor or came.stated.sensor)
        self._analyse([str(came.path)], stated)

    @property
    def busy(self) -> bool:
        """A recording runs or a phone is waited for."""
        return bool(self.live.row.state) or self.phone.serving is not None

    def end(self) -> None:
        """Let a running recording end, and keep it."""
        self.live.row.end()
        self.phone.end()

    def refresh(self) -> None:
        """Show the plan of the craft's way of turning; without one, all tests."""
        bench = self.session.bench
        empty(self.plan)
        self.steps = {}
        way = bench.craft.way if bench else None
        position = self.session.position or "the motor"
        self.plan.addWidget(label(f"Measure {position}", "head"))
        planned: tuple[Test, ...] = tuple(dict.fromkeys(step.test for step in way.plan)) if way else get_args(Test)
        group = QButtonGroup(self)
        for test in planned:
            button = QPushButton(sentence(TEST_WORDS[test]))
            button.setCheckable(True)
            button.clicked.connect(partial(self.choose_test, test))
            group.addButton(button)
            self.steps[test] = button
            self.plan.addWidget(button)
        if "prop" in planned:
            swap = QPushButton("Swap test: propeller or motor?")
            swap.clicked.connect(lambda: self.desk.go("swap"))
            self.plan.addWidget(swap)
        self._step_group = group
        self.choose_test(self.test if self.test in planned else planned[0])

    def choose_test(self, test: Test, _checked: bool = False) -> None:
        """Make this the test that is made now; say how, and what to beware of."""
        self.test = test
        for name, button in self.steps.items():
            button.setChecked(name == test)
        empty(self.said)
        bench = self.session.bench
        way = bench.craft.way if bench else None
        for step in way.plan if way else ():
            if step.test == test:
                self.said.addWidget(label(step.how))
        by_hand = test == "hand-spin"
        cautions = HANDS if by_hand else (way.cautions if way else (*HANDS, *POWER, *(BLADES if test != "bare" else ())))
        for line in (*cautions, ADVICE):
            self.said.addWidget(label(line, "caution"))

    @property
    def stated(self) -> Stated:
        """What stands in the form. Raises UsageError."""
        text = self.speed.text().strip().lower().removesuffix("rpm").strip()
        try:
            speed = float(text) if text else None
        except ValueError:
            raise UsageError(f"speed is {self.speed.text()!r}; write a number in rpm, or leave it open") from None
        roles = tuple(word.strip() for word in self.roles.text().split(",")) if self.roles.text().strip() else None
        reader = Reader(roles=roles, unit=self.unit.currentData())
        return Stated(self.session.position or "", self.test, speed, self.sensor.currentData(), self.setup.text().strip(), reader)

    def bring_in(self, files: list[str]) -> None:
        """Analyse recordings; they wait for keep or repeat."""
        if self.session.bench is None or not files:
            return
        try:
            stated = self.stated
        except VibekitError as error:
            self.desk.tell(sentence(str(error)))
            return
        self._analyse(files, stated)

    def _analyse(self, files: list[str], stated: Stated) -> None:
        self.desk.workers.start("measure", lambda step: self.session.measure(files, stated, step), self.show_results)

    def show_results(self, found: list[NewReading]) -> None:
        """Say at once what screening found, and offer to keep or to repeat."""
        self.pending = found
        empty(self.results)
        for item in found:
            self._result(item)
        fit = sum(item.reading.screening.usable for item in found)
        row = QHBoxLayout()
        self.keep = QPushButton(f"Keep {fit} for {found[0].position}" if len(found) > 1 else f"Keep it for {found[0].position}")
        self.keep.setObjectName("first")
        self.keep.setEnabled(fit > 0)
        self.keep.clicked.connect(self.keep_results)
        self.repeat = QPushButton("Do it again")
        self.repeat.setToolTip("nothing of this is kept in the archive")
        self.repeat.clicked.connect(self.drop_results)
        for widget in (self.keep, self.repeat):
            row.addWidget(widget)
        row.addStretch(1)
        self.results.addLayout(row)

    def _result(self, item: NewReading) -> None:
        reading = item.reading
        fit = "fit to judge" if reading.screening.usable else "not fit to judge"
        self.results.addWidget(label(f"<b>{Path(item.file).name}</b>: {fit}; {speed_words(reading.speed)}, {reading.duration_s:.1f} s"))
        for problem in reading.screening.problems:
            self.results.addWidget(label(problem.detail, "small" if problem.severity == "note" else "caution"))

    def keep_results(self) -> None:
        """Keep what can be judged."""
        known = self.session.keep(self.pending)
        self.desk.tell(f"{known} kept." if known else "The archive has these recordings already; nothing was changed.")
        self.drop_results()
        self.desk.reload()

    def drop_results(self, *_: Any) -> None:
        """Forget what was analysed; recordings made here stay on disk."""
        self.pending = []
        empty(self.results)
