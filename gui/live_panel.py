"""Recording from a sound card or a serial sensor, with what is heard while it runs."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyqtgraph as pg
from PySide6.QtCore import QTimer, Signal
from PySide6.QtWidgets import QComboBox, QGridLayout, QHBoxLayout, QPushButton, QSpinBox, QWidget

from vibekit.capture.recorder import Recorder, Source
from vibekit.capture.take import Take
from vibekit.errors import VibekitError
from vibekit.gui.desk import Desk, label
from vibekit.gui.live import Heard, Live, look_for_speed
from vibekit.gui.map_plot import MapPlot
from vibekit.gui.plot import Plot
from vibekit.gui.spectrum_plot import ORDER
from vibekit.gui.steps import Step
from vibekit.recording import RELATIVE
from vibekit.settings import Settings
from vibekit.wording import sentence, unit_words, with_interval

PAINT_MS = 30
SPEED_EVERY = 12  # paints between two looks for the speed
USUAL_S = 20
Open = Callable[[], Source]


class LivePanel(QWidget):
    """Start, stop, and what is heard. `taken` gives the finished sound file; `state` says "", "opening", "recording" or "finishing"."""

    taken = Signal(object)
    started = Signal()

    def __init__(
        self, desk: Desk, what_for: Callable[[], tuple[Settings, dict[str, str]]], find: Callable[[], list[tuple[str, Open]]]
    ) -> None:
        super().__init__()
        self.desk, self.what_for, self.sources = desk, what_for, find
        self.recorder: Recorder | None = None
        self.live: Live | None = None
        self.state = ""
        self.paints = 0
        look = desk.look
        self.devices = QComboBox()
        self.devices.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.rescan = QPushButton("look again")
        self.rescan.setToolTip("look for what was plugged in meanwhile")
        self.rescan.clicked.connect(self.list_devices)
        self.length = QSpinBox()
        self.length.setRange(0, 600)
        self.length.setValue(USUAL_S)
        self.length.setSuffix(" s")
        self.length.setSpecialValueText("until stopped")
        self.go = QPushButton("Record")
        self.go.setObjectName("first")
        self.go.clicked.connect(self.toggle)
        self.said = label("", "small")
        self.speed = label("speed not known yet", "head", wrap=False)
        self.level = Plot(look, "Level, root mean square", ("time", "s"), ("", "dB"), hold="both")
        self.spectrum = Plot(look, "Spectrum, peak amplitude", ("frequency", "Hz"), ("", RELATIVE), log=True)
        self.orders = Plot(look, "Order spectrum, peak amplitude", ORDER, ("", RELATIVE), log=True)
        self.map = MapPlot(look)
        for plot in (self.level, self.spectrum, self.orders, self.map):
            plot.picture_wanted.connect(desk.keep_picture)
        for plot in (self.spectrum, self.orders):
            plot.rescaled.connect(self._frames)
        self._lay_out()
        self.timer = QTimer(self)
        self.timer.setInterval(PAINT_MS)
        self.timer.timeout.connect(self.paint)

    def _lay_out(self) -> None:
        px = self.desk.look.px
        row = QHBoxLayout()
        row.addWidget(self.devices, 1)
        for widget in (self.rescan, self.length, self.go):
            row.addWidget(widget)
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(px(2))
        grid.addLayout(row, 0, 0, 1, 2)
        said = QHBoxLayout()
        said.addWidget(self.speed)
        said.addSpacing(px(12))
        said.addWidget(self.said, 1)
        grid.addLayout(said, 1, 0, 1, 2)
        grid.addWidget(self.level, 2, 0)
        grid.addWidget(self.spectrum, 2, 1)
        grid.addWidget(self.orders, 3, 0, 1, 2)
        grid.addWidget(self.map, 3, 0, 1, 2)
        self.map.hide()
        for line, stretch in ((2, 5), (3, 6)):
            grid.setRowStretch(line, stretch)
        grid.setColumnStretch(0, 1)
        grid.setColumnStretch(1, 2)

    def list_devices(self) -> None:
        """Show what can be recorded from."""
        self.devices.clear()
        try:
            for words, opens in self.sources():
                self.devices.addItem(words, opens)
        except VibekitError as error:
            self.said.setText(sentence(str(error)))
        self.go.setEnabled(self.devices.count() > 0)
        if not self.devices.count() and not self.said.text():
            self.said.setText("Nothing to record from was found; plug it in, then look again.")

    def toggle(self) -> None:
        """Start, or stop what runs; what was recorded is kept."""
        if self.state == "recording" and self.recorder is not None:
            self.recorder.stop()
        elif not self.state and self.devices.currentData() is not None:
            self.open(self.devices.currentData())

    def open(self, opens: Open) -> None:
        """Open a source beside the window, then record from it."""
        try:
            settings, about = self.what_for()
        except VibekitError as error:
            self.desk.tell(sentence(str(error)))
            return
        self.state = "opening"
        self.go.setEnabled(False)
        self.said.setText("Opening …")
        length = float(self.length.value()) or None
        folder = self.desk.session.place.takes

        def start(_: Step) -> Recorder:
            recorder = Recorder(opens(), folder, about=about, length_s=length)
            recorder.start()
            return recorder

        self.desk.workers.start("open", start, lambda recorder: self._running(recorder, settings), self._not_opened)

    def _not_opened(self, why: str) -> None:
        self.state = ""
        self.go.setEnabled(True)
        self.said.setText(sentence(why))

    def _running(self, recorder: Recorder, settings: Settings) -> None:
        self.recorder, self.state = recorder, "recording"
        self.begin(Live(recorder.form, settings))
        self.said.setText("")
        self.go.setText("Stop")
        self.go.setEnabled(True)
        self.timer.start()
        self.started.emit()

    def begin(self, live: Live) -> None:
        """Begin with empty plots for what will be heard."""
        self.live, self.paints = live, 0
        unit = live.form.channels[live.rows[0]].unit
        self.level.relabel(y=("", "dB re full scale" if unit == RELATIVE else f"dB re 1 {unit_words(unit)}"))
        self.spectrum.relabel(y=("", unit))
        self.orders.relabel(y=("", unit))
        self._levels: list[tuple[float, tuple[float, ...]]] = []
        self.curves: dict[str, list[pg.PlotCurveItem]] = {"level": [], "spectrum": [], "orders": []}
        self._tops: dict[str, float] = {}
        for plot in (self.level, self.spectrum, self.orders, self.map):
            plot.clear()
        self.map.setVisible(live.settings.test == "run-up")
        self.orders.setVisible(live.settings.test != "run-up")

    def paint(self) -> None:
        """Show the newest; end when the recorder has ended."""
        recorder, live = self.recorder, self.live
        if recorder is None or live is None:
            return
        glance = recorder.glance()
        if glance is not None:
            self.show_heard(live.hear(glance), live)
        if recorder.done.is_set():
            self._finish(recorder)

    def show_heard(self, heard: Heard, live: Live) -> None:
        """Paint what is heard."""
        self.paints += 1
        self._levels = [*self._levels[-599:], (heard.seconds, heard.level_db)]
        seconds = [at for at, _ in self._levels]
        for n in range(len(heard.units)):
            self._line("level", self.level, n, seconds, [level[n] for _, level in self._levels])
        for n, spectrum in enumerate(heard.spectra):
            self._line("spectrum", self.spectrum, n, spectrum.frequency[1:], spectrum.values[1:])
        for n, curve in enumerate(heard.orders if self.orders.isVisible() else ()):
            self._line("orders", self.orders, n, curve.x[1:], curve.y[1:])
        if self.map.isVisible() and (found := live.map) is not None:
            self.map.show_map(found)
        self._fit(heard)
        lost = f", {heard.lost} samples lost" if heard.lost else ""
        said = heard.warning or {"waiting": "waiting for sound", "paused": "paused"}.get(heard.state, "recording")
        self.said.setText(f"{sentence(said)}: {heard.seconds:.1f} s{lost}")
        known = live.speed
        self.speed.setText(with_interval(known.rpm, known.rpm_u95, "rpm") if known and known.rpm else "speed not known yet")
        if self.paints % SPEED_EVERY == 1 and (newest := live.newest) is not None and not self.desk.workers.under_way("speed"):
            self.desk.workers.start("speed", lambda step: look_for_speed(newest, live.settings), live.know)

    def _line(self, name: str, plot: Plot, number: int, x: object, y: object) -> None:
        drawn = self.curves[name]
        while len(drawn) <= number:
            ink = ("this", "muted", "baseline", "watch")[len(drawn) % 4]
            drawn.append(plot.curve([0.0, 1.0], [1.0, 1.0], ink))
        drawn[number].setData(np.asarray(x), plot.up(np.asarray(y)))

    def _fit(self, heard: Heard) -> None:
        """Grow scales when the sound outgrows them; they never shrink, so that nothing breathes."""
        self.level.frame(max(self._levels[-1][0] - 20, 0), max(self._levels[-1][0], 20), -100, 6)
        for name, plot, highest, right in (
            ("spectrum", self.spectrum, [float(s.values[1:].max()) for s in heard.spectra], self.live and self.live.form.rate_hz / 2),
            ("orders", self.orders, [float(c.y[1:].max()) for c in heard.orders if c.y.size > 1], 12.0),
        ):
            top = max(highest, default=0.0)
            if top > self._tops.get(name, 0.0):
                self._tops[name] = 2 * top
                plot.frame(0, float(right or 1), 2 * top * 1e-5 if plot.log else 0.0, 2 * top)

    def _frames(self) -> None:
        self._tops = {}

    def _finish(self, recorder: Recorder) -> None:
        self.timer.stop()
        self.state = "finishing"
        self.go.setEnabled(False)
        self.go.setText("Record")
        self.said.setText(f"{sentence(recorder.ended)}; making the file …")
        self.desk.workers.start("finish", lambda step: recorder.finish(), self._finished, self._not_opened)

    def _finished(self, take: Take) -> None:
        self.recorder, self.state = None, ""
        self.go.setEnabled(True)
        notes = " ".join(take.account.notes)
        self.said.setText(f"Recorded: {Path(take.path).name}. {notes}".strip())
        self.taken.emit(take)

    def end(self) -> None:
        """End what runs and wait until its file is made: nothing that was recorded is lost."""
        recorder, self.recorder, self.state = self.recorder, None, ""
        self.timer.stop()
        if recorder is not None:
            recorder.stop("the window was closed")
            try:
                recorder.finish()
            except VibekitError as error:
                self.desk.tell(str(error))
