"""What is heard while it is recorded: level, spectrum, speed, order spectrum, and in a run-up its map."""

from collections.abc import Callable

import numpy as np
import pyqtgraph as pg
from PySide6.QtWidgets import QGridLayout, QHBoxLayout, QWidget

from vibekit.capture.recorder import Glance
from vibekit.gui.desk import Desk, label
from vibekit.gui.live import Heard, Live, look_for_speed
from vibekit.gui.map_plot import MapPlot
from vibekit.gui.plot import Plot
from vibekit.gui.record_row import RecordRow, WhatFor
from vibekit.gui.sources import Offer
from vibekit.gui.spectrum_plot import ORDER
from vibekit.recording import RELATIVE
from vibekit.wording import unit_words, with_interval

SPEED_EVERY = 12  # paints between two looks for the speed
LEVELS = 700  # 20 s of paints
INKS = ("this", "baseline", "muted", "watch")  # of the channels


class LivePanel(QWidget):
    """What is heard while `row` records, painted."""

    def __init__(self, desk: Desk, what_for: WhatFor, find: Callable[[], list[Offer]]) -> None:
        super().__init__()
        self.desk = desk
        self.live: Live | None = None
        self.paints = 0
        look = desk.look
        self.row = RecordRow(desk, what_for, find)
        self.row.began.connect(lambda form, settings: self.begin(Live(form, settings)))
        self.row.heard.connect(self._hear)
        self.speed = label("speed not known yet", "head", wrap=False)
        self.level = Plot(look, "Level, root mean square", ("time", "s"), ("", "dB"), hold="both")
        self.spectrum = Plot(look, "Spectrum, peak amplitude", ("frequency", "Hz"), ("", RELATIVE), log=True)
        self.orders = Plot(look, "Order spectrum, peak amplitude", ORDER, ("", RELATIVE), log=True)
        self.map = MapPlot(look)
        for plot in (self.level, self.spectrum, self.orders, self.map):
            plot.keep_wanted.connect(desk.keep_plot)
        for plot in (self.spectrum, self.orders):
            plot.rescaled.connect(self._frames)
        self._lay_out()

    def _lay_out(self) -> None:
        px = self.desk.look.px
        grid = QGridLayout(self)
        grid.setContentsMargins(0, 0, 0, 0)
        grid.setVerticalSpacing(px(2))
        grid.addWidget(self.row, 0, 0, 1, 2)
        said = QHBoxLayout()
        said.addWidget(self.speed)
        said.addSpacing(px(12))
        said.addWidget(self.row.said, 1)
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
        keys = [(live.form.channels[row].name, ink) for row, ink in zip(live.rows, INKS, strict=False)] if len(live.rows) > 1 else []
        for plot in (self.level, self.spectrum, self.orders, self.map):
            plot.clear()
            plot.retitle(plot.accessibleName(), keys if plot is not self.map else keys[:1])
        self.map.setVisible(live.settings.test == "run-up")
        self.orders.setVisible(live.settings.test != "run-up")

    def _hear(self, glance: Glance) -> None:
        if self.live is not None:
            self.show_heard(self.live.hear(glance), self.live)

    def show_heard(self, heard: Heard, live: Live) -> None:
        """Paint what is heard."""
        self.paints += 1
        self._levels = [*self._levels[1 - LEVELS :], (heard.seconds, heard.level_db)]
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
        self.speed.setText(_speed_words(live))
        if self.paints % SPEED_EVERY == 1 and (newest := live.newest) is not None and not self.desk.workers.under_way("speed"):
            self.desk.workers.start("speed", lambda step: look_for_speed(newest, live.settings), live.know)

    def _line(self, name: str, plot: Plot, number: int, x: object, y: object) -> None:
        drawn = self.curves[name]
        while len(drawn) <= number:
            ink = INKS[len(drawn) % len(INKS)]
            drawn.append(plot.curve([0.0, 1.0], [1.0, 1.0], ink, name=f"channel {len(drawn) + 1}"))
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


def _speed_words(live: Live) -> str:
    known = live.speed
    if known is None or not known.rpm:
        return "speed not known yet"
    silent = known.method != "tacho" and any(channel.role == "tacho" for channel in live.form.channels)
    return f"{with_interval(known.rpm, known.rpm_u95, 'rpm')}{' (the tacho gives no pulses)' if silent else ''}"
