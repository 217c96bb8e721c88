"""One motor's own past: a quantity against time with what was done to the motor, and any two readings over each other."""

import math
from datetime import UTC, date, datetime

import numpy as np
import pyqtgraph as pg
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QLineEdit, QPushButton, QVBoxLayout

from vibekit.casefile import MotorFile
from vibekit.comparison import effects_words
from vibekit.effect import effects_of
from vibekit.errors import UsageError
from vibekit.frame import frame_of, tallest
from vibekit.gui.desk import Desk, Page, empty, label, named
from vibekit.gui.plot import Plot
from vibekit.gui.series import Series
from vibekit.gui.spectrum_plot import draw_frame, say_at, spectrum_plot
from vibekit.history import History, comparable_kinds, history_of, measured_names, own_pasts
from vibekit.kept import DID, PARTS, KeptReading, PartAction
from vibekit.moment import day, local
from vibekit.observation import WORDS
from vibekit.wording import TEST_WORDS, listed, sentence, speed_words, with_interval

EFFECTS = 2  # pieces of work that are told of, the newest


class PastPage(Page):
    """Quantities of the chosen motor against time, and before against after."""

    name, title = "past", "Its own past"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.history: History | None = None
        self.kinds, self.names, self.before, self.after = (QComboBox() for _ in range(4))
        named((self.kinds, "test and set-up"), (self.names, "quantity"), (self.before, "reading before"), (self.after, "reading after"))
        for chooser in (self.kinds, self.names, self.before, self.after):
            chooser.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        self.kinds.currentIndexChanged.connect(self._kind_chosen)
        self.names.currentIndexChanged.connect(self._draw_trend)
        for chooser in (self.before, self.after):
            chooser.setMinimumContentsLength(24)
            chooser.currentIndexChanged.connect(self._draw_pair)
        self.take_out = QPushButton("take the later reading out")
        self.take_out.setObjectName("quiet")
        self.take_out.setToolTip("it leaves the archive; its recording stays, and undo brings it back")
        self.take_out.clicked.connect(self._take_out)
        self.trend: Plot | None = None
        self.pair: Plot | None = None
        self.top, self.bottom = QVBoxLayout(), QVBoxLayout()
        self.note, self.effects, self.alarms = label("", "small"), label("", "small"), label("", "caution")
        head, choice = QHBoxLayout(), QHBoxLayout()
        head.addWidget(self.kinds)
        head.addWidget(self.names)
        head.addStretch(1)
        for widget in (QLabel("Before"), self.before, QLabel("and after"), self.after, self.take_out):
            choice.addWidget(widget)
        choice.addStretch(1)
        whole = QVBoxLayout(self)
        px = self.look.px
        whole.setContentsMargins(px(8), px(6), px(8), px(4))
        whole.addLayout(head)
        whole.addWidget(self.alarms)
        whole.addLayout(self.top, 6)
        whole.addWidget(self.note)
        whole.addWidget(self.effects)
        whole.addLayout(choice)
        whole.addLayout(self.bottom, 5)
        whole.addLayout(self._form())

    def _form(self) -> QHBoxLayout:
        """What was done to a part, to be noted."""
        self.did, self.part, self.fitted, self.words = QComboBox(), QComboBox(), QLineEdit(), QLineEdit()
        for word in DID:
            self.did.addItem(word)
        for word in PARTS:
            self.part.addItem(word)
        named((self.part, "part worked on"), (self.did, "what was done"), (self.fitted, "with what"), (self.words, "note"))
        self.fitted.setPlaceholderText("with what, or the other position of a swap")
        self.words.setPlaceholderText("note")
        self.noted = QPushButton("Note it")
        self.noted.setToolTip("what is replaced, balanced or swapped begins a new past")
        self.noted.clicked.connect(self.note_action)
        row = QHBoxLayout()
        for widget in (label("Done to this motor:", wrap=False), self.part, self.did, self.fitted, self.words, self.noted):
            row.addWidget(widget)
        return row

    def note_action(self) -> None:
        """Note what was done; a swap is noted at both rotors."""
        bench, position = self.session.bench, self.session.position
        if bench is None or position is None:
            return
        did, part, fitted, note, now = (
            self.did.currentText(),
            self.part.currentText(),
            self.fitted.text().strip(),
            self.words.text().strip(),
            datetime.now(UTC),
        )
        both = [(position, fitted)]
        if did == "swapped":
            try:
                bench.craft.check_swap(position, fitted, part)
            except UsageError as error:
                self.desk.tell(f"{sentence(str(error))}.")
                return
            both.append((fitted, position))
        self.session.keep_action([PartAction(bench.name, at, part, did, other, note, now) for at, other in both])
        self.desk.tell(f"Noted: {part} {did}. Measure again in the same way.")
        self.desk.reload()

    @property
    def kept(self) -> tuple[KeptReading, ...]:
        """All readings of the chosen motor."""
        bench, position = self.session.bench, self.session.position
        return bench.motor(position).kept if bench and position else ()

    def refresh(self) -> None:
        """Show the motor that is chosen; test and quantity stay where it has them."""
        kind, name = self.kinds.currentText(), self.names.currentData()
        self._fill(
            self.kinds,
            [(f"{TEST_WORDS[test]}{', ' + setup if setup else ''}", (test, setup)) for test, setup in comparable_kinds(self.kept)],
        )
        self.kinds.setCurrentIndex(max(self.kinds.findText(kind), 0))
        self._fill_names(name)
        self._draw()

    def _fill(self, box: QComboBox, items: list[tuple[str, object]]) -> None:
        box.blockSignals(True)
        box.clear()
        for words, data in items:
            box.addItem(words, data)
        box.blockSignals(False)

    def _fill_names(self, name: str | None) -> None:
        names = measured_names(self.readings)
        self._fill(self.names, [(sentence(WORDS.get(n, n)), n) for n in names])
        self.names.blockSignals(True)
        self.names.setCurrentIndex(max(self.names.findData(name or "1x"), 0))
        self.names.blockSignals(False)

    @property
    def readings(self) -> tuple[KeptReading, ...]:
        """Those of the chosen test and set-up, oldest first."""
        kind = self.kinds.currentData()
        return tuple(k for k in self.kept if kind and (k.settings.test, k.setup) == tuple(kind))

    def _kind_chosen(self) -> None:
        self._fill_names(self.names.currentData())
        self._draw()

    def _draw(self) -> None:
        shown = [(f"{local(k.when)}, {k.name}", k) for k in self.readings]
        for box, at in ((self.before, 0), (self.after, len(shown) - 1)):
            self._fill(box, list(shown))
            box.blockSignals(True)
            box.setCurrentIndex(at)
            box.blockSignals(False)
        self.take_out.setEnabled(bool(shown))
        self._draw_trend()
        self._draw_pair()

    def _draw_trend(self) -> None:
        empty(self.top)
        self.trend, self.history = None, None
        bench, position, name = self.session.bench, self.session.position, self.names.currentData()
        if bench is None or position is None or name is None:
            self.top.addWidget(label("This motor has no readings yet. Record it under “Measure”."))
            self.note.setText("")
            self.alarms.hide()
            self.effects.hide()
            return
        motor = bench.motor(position)
        self.history = past = history_of(self.readings, motor.past, motor.actions, name)
        self.note.setText(" ".join([*_standing(past), past.words]))
        self._tell_alarms(motor)
        if not past.moments:
            self.top.addWidget(label("No readings whose levels can be compared: their gain moved, or this was not measured."))
            return
        plot = Plot(
            self.look,
            f"{position}: {WORDS.get(name, name)}",
            ("day recorded", ""),
            (_short(name), past.unit),
            x_axis=pg.DateAxisItem(orientation="bottom", utcOffset=_utc_offset()),
        )
        plot.setMinimumHeight(self.look.px(190))
        self.trend = self.plot(plot)
        plot.say = lambda x, y: f"{local(datetime.fromtimestamp(x))} · {y:.1f} {past.unit}"
        stamps = np.array([moment.timestamp() for moment in past.moments])
        limits = np.isinf(past.u95)  # an upper limit has no whisker, and points down
        half = np.where(limits, 0.0, past.u95)
        plot.points(stamps[~limits], past.values[~limits], "this", u95=half[~limits])
        plot.points(stamps[limits], past.values[limits], "this", symbol="t")
        sittings = tuple(moment.isoformat() for moment in past.moments)
        plot.remember(Series(WORDS.get(name, name), stamps, past.values, past.u95, sittings))
        marks = [(past.middle, "middle of its sound past", "baseline"), (past.watch, "watch from here", "watch")]
        if not past.limits:
            marks.append((past.act, "act from here", "act"))
        steps = [(moment.timestamp(), level) for moment, level in past.limits if math.isfinite(level)]
        ends = [height for height in (past.middle, past.watch, past.act) if height is not None] + [level for _, level in steps]
        low, high = min([*(past.values - half), *ends]), max([*(past.values + half), *ends])
        room = max(0.15 * (high - low), 1.0)
        seen = [*stamps, *(action.done_at.timestamp() for action in motor.actions)]
        wide = max(0.06 * (max(seen) - min(seen)), 3600.0)
        right = max(seen) + (4 if ends else 1) * wide  # words stand there, clear of the points
        for height, words, ink in marks:
            if height is not None:
                plot.level(height, ink, dashed=True)
                plot.words(right, height, words, anchor=(1.0, 1.0))
        self._draw_limit(plot, steps, past.act, right)
        days: dict[date, list[PartAction]] = {}
        for action in motor.actions:
            plot.upright(action.done_at.timestamp(), "ink", dashed=True)
            days.setdefault(action.done_at.astimezone().date(), []).append(action)
        for done in days.values():  # of one day in one line: written over each other none could be read
            words = ", ".join(dict.fromkeys(f"{action.part} {action.did}" for action in done))
            plot.words(done[-1].done_at.timestamp(), high + room, words, anchor=(1.0, 0.0))
        if past.alarm is not None:
            plot.upright(past.alarm.at.timestamp(), "act")
            plot.words(past.alarm.at.timestamp(), low - room, "alarm", "act", anchor=(0.0, 1.0))
        plot.frame(min(seen) - wide, right, low - room, high + room)
        self.top.addWidget(plot)

    def _tell_alarms(self, motor: MotorFile) -> None:
        """Name every alarm of this motor that stands, under whatever test."""
        told = [
            f"{WORDS.get(alarm.name, alarm.name)} ({TEST_WORDS[own.test]}), since {day(alarm.since)}"
            for own in own_pasts(motor.kept, motor.past, motor.actions)
            for alarm in own.alarms
        ]
        self.alarms.setText(f"<b>Alarms of this motor:</b> {listed(told)}." if told else "")
        self.alarms.setVisible(bool(told))
        kind = self.kinds.currentData()
        effects = [e for e in effects_of(motor.kept, motor.actions) if kind and (e.test, e.setup) == tuple(kind)]
        self.effects.setText("Done to it, and what that changed: " + "; ".join(effects_words(effects[-EFFECTS:])) + ".")
        self.effects.setVisible(bool(effects))

    def _draw_limit(self, plot: Plot, steps: list[tuple[float, float]], act: float | None, right: float) -> None:
        """The level that, met twice, raises the alarm: as it stood at each sitting, and at the next one."""
        if not steps:
            return
        at, level = (np.array(column, dtype=np.float64) for column in zip(*steps, strict=True))
        last = float(level[-1]) if act is None else act
        plot.curve([*at, right], [*level, last], "act", dashed=True)
        plot.remember(Series("alarm limit", at, level, None, tuple(datetime.fromtimestamp(t, UTC).isoformat() for t in at)))
        plot.words(right, last, "alarm, if met twice", anchor=(1.0, 1.0))

    def _draw_pair(self) -> None:
        empty(self.bottom)
        self.pair = None
        before, after = self.before.currentData(), self.after.currentData()
        if before is None or after is None:
            return
        both = [k.reading for k in (before, after)]
        units = {c.y_unit for r in both if (c := r.curve("order")) is not None}
        frame = frame_of("order", both) if len(units) == 1 else None
        if frame is None:
            self.bottom.addWidget(label("These two have no order spectra in one unit to lay over each other."))
            return
        plot = self.pair = self.plot(spectrum_plot(self.look, "Before and after: peak amplitude", "order", frame))
        plot.setMinimumHeight(self.look.px(170))
        plot.say = lambda x, y: say_at(after.reading, plot, x, y)

        def draw() -> None:
            plot.clear()
            draw_frame(plot, frame)
            named = (("before", before, "baseline", True), ("after", after, "this", False))
            low, high = plot.home[2:] if plot.home else (0.0, 1.0)
            for row, (words, kept, ink, dashed) in enumerate(named):
                if (curve := kept.reading.curve("order")) is not None:
                    plot.curve(*tallest(curve, frame), ink, dashed=dashed, name=f"{words}: {kept.name}")
                at = plot.down(high - 0.13 * row * (high - low))
                plot.words(frame.order_max, at, f"{words}: {speed_words(kept.reading.speed)}", ink, anchor=(1.0, 0.0))

        plot.rescaled.connect(draw)
        draw()
        self.bottom.addWidget(plot)

    def _take_out(self) -> None:
        kept = self.after.currentData()
        if kept is not None:
            self.session.take_out(kept)
            self.desk.tell(f"{kept.name} taken out; undo brings it back.")
            self.desk.reload()


def _standing(past: History) -> list[str]:
    """What the chart says of it now."""
    told = []
    if past.alarm is not None:
        told.append(f"<b>Alarm on {day(past.alarm.at)}</b>: it has climbed since {day(past.alarm.since)}.")
    if (trend := past.trend) is not None and trend.shown:
        slope = with_interval(abs(trend.slope), trend.u95, past.unit)
        told.append(f"It {'rises' if trend.slope > 0 else 'falls'} by {slope} in 30 days, over {trend.sittings} sittings.")
    return told


def _short(name: str) -> str:
    return "level" if name not in WORDS else f"level of {name}" if len(name) < 14 else name


def _utc_offset() -> int:
    offset = datetime.now().astimezone().utcoffset()
    return -int(offset.total_seconds()) if offset else 0
