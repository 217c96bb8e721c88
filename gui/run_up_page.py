"""A run-up: spectra stacked against shaft speed, what stands at one frequency, and how each order grows."""

import numpy as np
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QPushButton, QVBoxLayout

from vibekit.gui.desk import Desk, Page, empty, label
from vibekit.gui.map_plot import MapPlot
from vibekit.gui.plot import Plot, figures
from vibekit.gui.series import Series
from vibekit.kept import KeptReading
from vibekit.moment import local
from vibekit.reading import Quantity, Reading
from vibekit.wording import unit_words, with_interval

INKS = ("this", "baseline", "muted")


class RunUpPage(Page):
    """The run-ups of the chosen motor."""

    name, title = "run-up", "Run-up"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.readings = QComboBox()
        self.readings.setAccessibleName("run-up")
        self.readings.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        self.readings.currentIndexChanged.connect(self._draw)
        self.orders, self.hertz = QPushButton("against order"), QPushButton("against Hz")
        for button in (self.orders, self.hertz):
            button.setCheckable(True)
            button.setAutoExclusive(True)
            button.clicked.connect(self._draw)
        self.orders.setChecked(True)
        self.map: MapPlot | None = None
        self.growth: Plot | None = None
        self.asked_hz: float | None = None
        self.left, self.right = QVBoxLayout(), QVBoxLayout()
        self.note = label("", "small")
        head, body = QHBoxLayout(), QHBoxLayout()
        head.addWidget(self.readings)
        head.addWidget(self.orders)
        head.addWidget(self.hertz)
        head.addStretch(1)
        body.addLayout(self.left, 5)
        body.addLayout(self.right, 4)
        whole = QVBoxLayout(self)
        px = self.look.px
        whole.setContentsMargins(px(8), px(6), px(8), px(4))
        whole.addLayout(head)
        whole.addLayout(body, 1)
        whole.addWidget(self.note)

    def refresh(self) -> None:
        """Show the newest run-up of the chosen motor."""
        bench, position = self.session.bench, self.session.position
        kept = [k for k in bench.motor(position).kept if k.reading.maps] if bench and position else []
        self.readings.blockSignals(True)
        self.readings.clear()
        for item in reversed(kept):
            self.readings.addItem(f"{local(item.when)}, {item.name}", item)
        self.readings.blockSignals(False)
        self.asked_hz = None
        self._draw()

    @property
    def kept(self) -> KeptReading | None:
        """The run-up that is shown."""
        chosen = self.readings.currentData()
        return chosen if isinstance(chosen, KeptReading) else None

    def _draw(self) -> None:
        empty(self.left)
        empty(self.right)
        self.map, self.growth = None, None
        kept = self.kept
        if kept is None:
            self.left.addWidget(
                label("No run-up of this motor is kept yet. Record one under “Measure”: from the lowest steady speed upward, evenly.")
            )
            self.left.addStretch(1)
            self.note.setText("")
            return
        self._draw_map(kept.reading)
        self._draw_growth(kept.reading)
        found = resonances(kept.reading)
        told = [f"{q.name}: {with_interval(q.value, q.u95, q.unit)}" for q in found]
        said = f"What stands at one frequency: {'; '.join(told)}." if told else "No resonance stands out."
        self.note.setText(f"{said} Click the map to lay a line of one frequency through that place.")

    def _draw_map(self, reading: Reading) -> None:
        kind = "hertz map" if self.hertz.isChecked() else "order map"
        shown = next((m for m in reading.maps if m.kind == kind), reading.maps[0])
        plot = self.map = MapPlot(self.look)
        self.plot(plot)
        plot.retitle("Spectra of the run-up, each line at its speed")
        plot.show_map(shown)
        plot.pressed.connect(self._pressed)
        for mode in resonances(reading):
            self._fixed(mode.value, "act", f"{mode.value:.0f} Hz")
        if self.asked_hz is not None:
            self._fixed(self.asked_hz, "watch", f"{self.asked_hz:.1f} Hz")
        self.left.addWidget(plot)

    def _fixed(self, hz: float, ink: str, words: str) -> None:
        """A line of one frequency through the map: upright against Hz, bent against order."""
        plot = self.map
        if plot is None or plot.map is None:
            return
        rpm = np.linspace(plot.map.rpm[0], plot.map.rpm[-1], 100)
        x = np.full(rpm.size, hz) if plot.map.x_unit == "Hz" else 60 * hz / rpm
        plot.curve(x, rpm, ink, dashed=True)
        inside = np.flatnonzero(x <= plot.map.x[-1])
        if inside.size:
            plot.words(float(x[inside[0]]), float(rpm[inside[0]]), words, ink, anchor=(0.0, 1.0))

    def _pressed(self, x: float, rpm: float) -> None:
        if self.map is not None and self.map.map is not None:
            self.asked_hz = x if self.map.map.x_unit == "Hz" else x * rpm / 60
            self._draw()

    def _draw_growth(self, reading: Reading) -> None:
        curves = [curve for curve in reading.curves if curve.x_unit == "rpm"]
        if not curves:
            return
        unit = curves[0].y_unit
        plot = self.growth = self.plot(Plot(self.look, "How each order grows", ("shaft speed", "rpm"), ("peak amplitude", unit)))
        plot.say = lambda rpm, y: f"{rpm:.0f} rpm · {rpm / 60:.1f} Hz · {figures(y)} {unit_words(unit)}"
        top = max(float(curve.y.max()) for curve in curves)
        for curve, ink in zip(curves, INKS, strict=False):
            if curve.u95 is not None:
                plot.band(curve.x, np.maximum(curve.y - curve.u95, 0), curve.y + curve.u95, ink, 60)
            plot.curve(curve.x, curve.y, ink)
            plot.remember(Series(curve.kind, curve.x, curve.y, curve.u95))
            at = int(curve.y.argmax())
            plot.words(float(curve.x[at]), float(curve.y[at]), curve.kind, ink, anchor=(1.0, 1.0))
        low, high = min(float(c.x[0]) for c in curves), max(float(c.x[-1]) for c in curves)
        for mode in resonances(reading):
            for order in (1.0, 2.0):
                if low < 60 * mode.value / order < high:
                    plot.upright(60 * mode.value / order, "act")
        plot.frame(low, high, 0.0, 1.2 * top)
        self.right.addWidget(plot)


def resonances(reading: Reading) -> list[Quantity]:
    """Give the resonances that a run-up passed, in Hz."""
    return [q for q in reading.quantities if q.name.startswith("resonance ") and q.unit == "Hz"]
