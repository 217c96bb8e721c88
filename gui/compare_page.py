"""The motors beside each other: spectra overlaid or one under another, bars with the band of the others, and what each line is."""

import numpy as np
from PySide6.QtCore import Qt
from PySide6.QtWidgets import QComboBox, QGridLayout, QHBoxLayout, QPushButton, QVBoxLayout

from vibekit.comparison import Comparison
from vibekit.drawings import Group, Member
from vibekit.frame import Frame, key_lines, span, tallest
from vibekit.gui.compare_marks import draw_bar, name_ends, name_lines
from vibekit.gui.comparison_table import ComparisonTable
from vibekit.gui.desk import Desk, Page, empty, label, named
from vibekit.gui.laid_over import conditions_to_lay, laid_over
from vibekit.gui.plot import Plot, figures
from vibekit.gui.series import Series
from vibekit.gui.spectrum_plot import draw_frame, kind_words, say_at, spectrum_plot
from vibekit.handspin import COAST, FROM_RPM, TO_RPM
from vibekit.line_meaning import Meaning, meaning_of
from vibekit.reading import Quantity, Reading
from vibekit.spin_comparison import compare_spins, conclusion_words
from vibekit.standing import OUTLIER
from vibekit.wording import line_words, listed, sentence, unit_words

BARS = ("1x", "half orders", "blade pass", "other orders", "roughness")
LABELS = 7
_BAR_WORDS = {"blade pass": "blade\npass", "half orders": "half\norders", "other orders": "other\norders", "roughness": "noise\n> 2 kHz"}
CLICK = 0.012  # of the width seen: how near a click must be to a peak


class ComparePage(Page):
    """The chosen motor over the others."""

    name, title = "compare", "Beside the others"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.group: Group | None = None
        self.kind = "order"
        self.asked: float | None = None
        self.tests, self.kinds, self.laid = QComboBox(), QComboBox(), QComboBox()
        named((self.tests, "test"), (self.kinds, "kind of spectrum"), (self.laid, "what a condition looks like, laid over"))
        self.tests.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToContents)
        self.kinds.addItem("order spectrum", "order")
        self.kinds.addItem("envelope of the high band", "envelope")
        self.laid.addItem("lay nothing over", "")
        for condition, words in conditions_to_lay():
            self.laid.addItem(f"lay over: {words}", condition)
        self.laid.setMinimumContentsLength(27)
        self.laid.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.together = QPushButton("overlaid")
        self.apart = QPushButton("one under another")
        self.every = QPushButton("every comparison")
        self.every.setToolTip("each motor against the others, its own past, and the same model on other craft")
        self.table: ComparisonTable | None = None
        for button in (self.together, self.apart, self.every):
            button.setCheckable(True)
            button.setAutoExclusive(True)
        self.together.setChecked(True)
        self.plots = QVBoxLayout()
        self.plots.setSpacing(0)
        self.over: Plot | None = None
        self.each: dict[str, Plot] = {}
        against = ("against the middle of the others", "dB")
        self.bars = self.plot(Plot(self.look, "What stands out against the others", ("", ""), against, hold="both"))
        self.bars.item.getAxis("bottom").setHeight(self.look.px(36))
        self.bars.whole_button.hide()
        self.bars.say = lambda _x, y: f"{figures(y)} {self.bars.upward[1]}"
        self.key = label("Bar and whisker: each motor with its 95 % interval. Grey box: robust band of the others.", "small")
        self.meaning = label("Click a line to see what it is.")
        self.meaning.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.note = label("", "small")
        self._lay_out()
        self.tests.currentIndexChanged.connect(self._test_chosen)
        self.kinds.currentIndexChanged.connect(self._kind_chosen)
        self.laid.currentIndexChanged.connect(lambda _: self._draw())
        self.together.clicked.connect(self._draw)
        self.apart.clicked.connect(self._draw)
        self.every.clicked.connect(self._draw)

    def _lay_out(self) -> None:
        head = QHBoxLayout()
        for widget in (self.tests, self.kinds, self.laid, self.together, self.apart, self.every):
            head.addWidget(widget)
        head.addStretch(1)
        right = QVBoxLayout()
        right.addWidget(self.bars, 3)
        right.addWidget(self.key)
        right.addWidget(self.meaning, 2)
        self.grid = whole = QGridLayout(self)
        px = self.look.px
        whole.setContentsMargins(px(8), px(6), px(8), px(4))
        whole.addLayout(head, 0, 0, 1, 2)
        whole.addLayout(self.plots, 1, 0)
        whole.addLayout(right, 1, 1)
        whole.addWidget(self.note, 2, 0, 1, 2)
        whole.setColumnStretch(0, 17)
        whole.setRowStretch(1, 1)

    def refresh(self) -> None:
        """Show the groups of the craft; the one that was chosen stays, by its words."""
        bench = self.session.bench
        before = self.tests.currentText()
        self.tests.blockSignals(True)
        self.tests.clear()
        for group in bench.groups if bench else ():
            self.tests.addItem(group.how, group)
        self.tests.setCurrentIndex(max(self.tests.findText(before), 0))
        self.tests.blockSignals(False)
        self.group = self.tests.currentData()
        self.asked = None
        self._draw()

    def _test_chosen(self) -> None:
        self.group, self.asked = self.tests.currentData(), None
        self._draw()

    def _kind_chosen(self) -> None:
        self.kind, self.asked = self.kinds.currentData(), None
        self._draw()

    @property
    def member(self) -> Member | None:
        """The chosen motor in the chosen group."""
        bench, position = self.session.bench, self.session.position
        return bench.member(self.group, position) if bench and self.group and position else None

    @property
    def frame(self) -> Frame | None:
        """The scales that all motors share."""
        return None if self.group is None else self.group.order if self.kind == "order" else self.group.envelope

    def _draw(self) -> None:
        empty(self.plots)
        self.over, self.each, self.table = None, {}, None
        tabled = self.every.isChecked()
        for widget in (self.bars, self.key, self.tests):
            widget.setVisible(not tabled)
        self.grid.setColumnStretch(1, 0 if tabled else 10)
        if tabled:
            self._ask_table()
            return
        member, frame = self.member, self.frame
        coasts = self._coasts()
        for widget in (self.kinds, self.laid):
            widget.setVisible(not coasts)
        self.meaning.setVisible(not coasts)
        self.bars.retitle("Coast time" if coasts else "What stands out against the others")
        if coasts:
            self._draw_coasts(coasts)
        elif self.group is None or frame is None:
            self.plots.addWidget(label("No recording of this craft has a spectrum yet. Record or bring in recordings under “Measure”."))
        elif self.apart.isChecked():
            self._draw_apart(self.group, frame)
        elif member is None or member.reading.curve(self.kind) is None:
            self.plots.addWidget(
                label("This motor has no spectrum under this test yet. Record it under “Measure”, or choose another rotor.")
            )
        else:
            self._draw_over(member, frame)
        if coasts:
            self._draw_coast_times(coasts)
        else:
            self._draw_bars()
        self._tell_note(member)
        self._tell_meaning()

    def _ask_table(self) -> None:
        for widget in (self.kinds, self.laid, self.meaning, self.note):
            widget.hide()
        self.plots.addWidget(label("Comparing …", "small"))
        self.desk.workers.start("table", lambda step: self.session.compare(step), self.show_table)

    def show_table(self, comparisons: tuple[Comparison, ...]) -> None:
        """Show each motor against every reference."""
        bench = self.session.bench
        if bench is not None and self.every.isChecked():
            empty(self.plots)
            ends = {position: bench.conclusion(position) for position in bench.positions}
            self.table = ComparisonTable(self.look, comparisons, ends, self.session.position)
            self.plots.addWidget(self.table)

    def _draw_over(self, member: Member, frame: Frame) -> None:
        self.over = plot = self.plot(spectrum_plot(self.look, f"{member.position}, over the others", self.kind, frame))
        plot.say = lambda x, y: say_at(member.reading, plot, x, y)
        plot.rescaled.connect(self._redraw_over)
        plot.pressed.connect(self._pressed)
        self.plots.addWidget(plot)
        self._redraw_over()

    def _redraw_over(self) -> None:
        member, frame, plot = self.member, self.frame, self.over
        if member is None or frame is None or plot is None or self._coasts():
            return
        plot.clear()
        draw_frame(plot, frame)
        ends = []
        if theirs := [(r, c) for r in member.others if (c := r.curve(self.kind)) is not None and c.y_unit == frame.unit]:
            x, low, high = span([c for _, c in theirs], frame)
            plot.band(x, low, high, "others")
            for reading, other in theirs:
                plot.curve(*tallest(other, frame), "others", name=f"other: {_file(reading)}")
            ends.append((float(np.median(high[-20:])), "others", "muted"))
        if own := [c for r in member.baselines if (c := r.curve(self.kind)) is not None and c.y_unit == frame.unit]:
            x, _, high = span(own, frame)
            plot.curve(x, high, "baseline", dashed=True, name="own past, largest")
            ends.append((float(np.median(high[-20:])), "own past", "baseline"))
        if laid := laid_over(self.laid.currentData(), member, self.kind) if self.laid.currentData() else None:
            x, y = tallest(laid, frame)
            plot.curve(x, y, "act", name=self.laid.currentText())
            ends.append((float(np.median(y[-20:])), "laid over", "act"))
        curve = member.reading.curve(self.kind)
        assert curve is not None
        x, y = tallest(curve, frame)
        plot.curve(x, y, "this", name=member.position)
        ends.append((float(np.median(y[-20:])), "this motor", "this"))
        name_ends(plot, ends, frame)
        if self.kind == "order":
            lines = sorted(key_lines(member.reading, frame), key=lambda line: line.floor / line.amplitude)[:LABELS]
            plot.points([o.order for o in lines], [o.amplitude for o in lines], "ink", u95=[o.u95 for o in lines], size=5, name="lines")
            name_lines(plot, [(line.order, line.amplitude, line.name) for line in lines], frame)
        if self.asked is not None:
            plot.upright(self.asked, "watch", dashed=True)

    def _draw_apart(self, group: Group, frame: Frame) -> None:
        shown = [m for m in group.members if m.reading.curve(self.kind) is not None]
        self.plots.addWidget(label(f"{sentence(kind_words(self.kind))}, {unit_words(frame.unit)}; all motors on one scale", "title"))
        for number, member in enumerate(shown):
            chosen, last = member.position == self.session.position, number == len(shown) - 1
            plot = self.plot(spectrum_plot(self.look, member.position, self.kind, frame, bare=True, bottom=last))
            draw_frame(plot, frame)
            curve = member.reading.curve(self.kind)
            assert curve is not None
            plot.curve(*tallest(curve, frame), "this" if chosen else "muted", name=member.position)
            if laid := laid_over(self.laid.currentData(), member, self.kind) if self.laid.currentData() else None:
                plot.curve(*tallest(laid, frame), "act", dotted=True)
            plot.words(frame.order_max, frame.high, f"{member.number} {member.position}", anchor=(1.0, 0.0))
            plot.pressed.connect(lambda x, y, position=member.position: self._pressed_apart(position, x, y))
            if self.each:
                plot.box.setXLink(next(iter(self.each.values())).box)
            self.each[member.position] = plot
            self.plots.addWidget(plot, 13 if last else 10)

    def _coasts(self) -> list[tuple[Member, Quantity]]:
        """The motors spun by hand, each with its coast time."""
        members = self.group.members if self.group else ()
        return [(m, time) for m in members if (time := m.reading.quantity("coast time")) is not None]

    def _draw_coasts(self, coasts: list[tuple[Member, Quantity]]) -> None:
        """Speed against time of every flick, all passing the upper speed together."""
        plot = self.over = self.plot(Plot(self.look, "Running down after a flick", ("time since the upper speed", "s"), ("speed", "rpm")))
        last, top = 0.0, 0.0
        for member, _ in coasts:
            chosen = member.position == self.session.position
            for curve in (c for c in member.reading.curves if c.kind.startswith(COAST)):
                passing = float(np.interp(-FROM_RPM, -curve.y, curve.x))
                line = plot.curve(curve.x - passing, curve.y, "this" if chosen else "muted", name=f"{member.position}, {curve.kind}")
                line.setZValue(1 if chosen else 0)
                last, top = max(last, float(curve.x[-1]) - passing), max(top, float(curve.y.max()))
        for speed in (FROM_RPM, TO_RPM):
            plot.level(speed)
        plot.frame(-0.3 * last, last, 0.0, 1.05 * max(top, FROM_RPM))
        self.plots.addWidget(plot)

    def _draw_coast_times(self, coasts: list[tuple[Member, Quantity]]) -> None:
        plot = self.bars
        plot.clear()
        plot.relabel(x=("motor", ""), y=(f"from {FROM_RPM:.0f} to {TO_RPM:.0f} rpm", "s"))
        top = 0.0
        for at, (member, time) in enumerate(coasts):
            others = np.array([t.value for m, t in coasts if m is not member])
            chosen = member.position == self.session.position
            middle = float(np.median(others)) if others.size else time.value
            half = OUTLIER * float(np.median(np.abs(others - middle))) if others.size > 2 else 0.0
            draw_bar(plot, at, 0.9, time.value, time.u95, half, chosen=chosen, middle=middle)
            top = max(top, time.value + time.u95, middle + half)
        times = np.array([(m.number, t.value, t.u95) for m, t in coasts])
        plot.remember(Series("coast time of each motor", times[:, 0], times[:, 1], times[:, 2], tuple(m.position for m, _ in coasts)))
        plot.item.getAxis("bottom").setTicks([[(at, f"{m.number}") for at, (m, _) in enumerate(coasts)]])
        plot.frame(-0.6, len(coasts) - 0.4, 0.0, 1.08 * top)

    def _pressed_apart(self, position: str, x: float, y: float) -> None:
        self.session.choose(position)
        self._pressed(x, y)

    def _pressed(self, x: float, _y: float) -> None:
        member, frame = self.member, self.frame
        if member is None or frame is None or (curve := member.reading.curve(self.kind)) is None:
            return
        seen = (self.over or next(iter(self.each.values()))).box.viewRange()[0]
        reach = CLICK * (seen[1] - seen[0])
        near = np.flatnonzero(np.abs(curve.x - x) <= reach)
        self.asked = float(curve.x[near[curve.y[near].argmax()]]) if near.size else x
        self._redraw_over()
        self._tell_meaning()

    def ask(self, order: float) -> Meaning | None:
        """Say what lies at an order of the chosen motor, and show it."""
        self.asked = order
        self._redraw_over()
        return self._tell_meaning()

    def _tell_meaning(self) -> Meaning | None:
        member, bench = self.member, self.session.bench
        if self.asked is None or member is None or bench is None:
            self.meaning.setText("Click a line to see what it is.")
            return None
        found = meaning_of(member.reading, self.asked, bench.verdicts.get(member.position), envelope=self.kind == "envelope")
        self.meaning.setText(_meaning_words(found))
        return found

    def _tell_note(self, member: Member | None) -> None:
        told, coasts = [], self._coasts()
        if self.group and (comparison := compare_spins(dict(self.group.coasting))):
            told.append(conclusion_words(comparison))
        if self.group and not self.group.steady and not coasts:
            told.append("Speeds differ, so heights are not to be compared.")
        if member and member.reading.screening.problems:
            told.append("This recording: " + " ".join(p.detail for p in member.reading.screening.problems[:2]))
        if self.laid.currentData():
            told.append(
                "Laid over: what the condition looks like on the kit's rig, at the level of a healthy 1x; its shape counts, not its height."
            )
        self.note.setText(" ".join(told))
        self.note.setVisible(bool(told))

    def _draw_bars(self) -> None:
        plot = self.bars
        plot.clear()
        plot.relabel(x=("", ""), y=("against the middle of the others", "dB"))
        members = self.group.members if self.group else ()
        names = [name for name in BARS if any(row.name == name for m in members for row in m.rows)]
        width = 1.0 / (len(members) + 1) if members else 1.0
        rows = {(row.name, m.position): row for m in members for row in m.rows if row.name in names}
        reach = max([5.0, *(max(abs(row.difference) + row.u95, row.half_band) for row in rows.values())])
        for at, name in enumerate(names):
            if shown := [(m, row) for m in members if (row := rows.get((name, m.position))) is not None]:
                told = np.array([(m.number, row.difference, row.u95) for m, row in shown])
                plot.remember(Series(name, told[:, 0], told[:, 1], told[:, 2], tuple(m.position for m, _ in shown)))
            for place, m in enumerate(members):
                if (row := rows.get((name, m.position))) is not None:
                    x = at + (place - (len(members) - 1) / 2) * width
                    chosen = m.position == self.session.position
                    draw_bar(plot, x, width, row.difference, row.u95, row.half_band, chosen=chosen)
                    plot.words(x, -1.28 * reach, str(m.number), "ink" if chosen else "muted", anchor=(0.5, 0.5))
        plot.level(0.0, "ink")
        plot.item.getAxis("bottom").setTicks([list(enumerate(_BAR_WORDS.get(name, name) for name in names))])
        plot.frame(-0.6, max(len(names), 1) - 0.4, -1.4 * reach, 1.15 * reach)


def _file(reading: Reading) -> str:
    return reading.file.rpartition("/")[2]


def _meaning_words(found: Meaning) -> str:
    hz = f", {found.hz:.1f} Hz" if found.hz else ""
    told = [f"<b>{sentence(found.name) or 'No named line'}</b>: order {found.order:.3g}{hz}."]
    if found.line is not None:
        told.append(f"Peak amplitude {line_words(found.line)}.")
    if found.causes:
        told.append(f"It rises with: {listed(found.causes)}.")
    if found.fed:
        told.append("It fed: " + "; ".join(found.fed[:2]) + ".")
    elif found.clues:
        told.append("It fed no evidence of the verdict.")
    return "<br>".join(told)
