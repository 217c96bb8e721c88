"""Balancing, guided: what to do next and why, where to put what, and the vectors so far."""

import cmath
import math
from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtWidgets import QComboBox, QDoubleSpinBox, QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from vibekit.balance_bench import BalanceBench, open_job
from vibekit.balance_job import BalanceJob
from vibekit.balance_solution import Level, Solution, level, solve
from vibekit.balance_step import Step
from vibekit.balance_verdict import left_words
from vibekit.capture.reader import Reader
from vibekit.errors import UsageError, VibekitError
from vibekit.gui.desk import Desk, Page, empty, label, rule, scrolled
from vibekit.gui.drop_area import DropArea
from vibekit.gui.polar_plot import PolarPlot
from vibekit.gui.session import Stated
from vibekit.packing import pack
from vibekit.spots import Stock, spots_from
from vibekit.turning import ADVICE
from vibekit.wording import sentence, with_interval

REFIT = "Mark the propeller to its shaft and leave it on from the first recording to the last; put it on other places and all begins again."
MARK = "Angles count from the mark, blade 1, in the direction in which the rotor turns; blades and holes are numbered so."
FIXED = "Trial weights fixed so that they cannot leave: 0.1 g at 60 mm and 10 000 rpm pulls 6.6 N and leaves at 63 m/s."
NEXT = {"record": "Next: record", "trial": "Next: a trial weight", "correct": "Next: the correction", "finished": "Finished",
        "refused": "Balancing cannot help here"}  # fmt: skip


class BalancePage(Page):
    """The balancing job of the chosen rotor."""

    name, title = "balance", "Balance"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.bench: BalanceBench | None = None
        self.polar: PolarPlot | None = None
        self.left, self.right = QVBoxLayout(), QVBoxLayout()
        px = self.look.px
        self.left.setSpacing(px(7))
        self.left.setContentsMargins(0, 0, px(10), 0)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(px(14), px(8), px(8), px(6))
        whole.addWidget(scrolled(self.left), 10)
        whole.addLayout(self.right, 11)

    def refresh(self) -> None:
        """Go on with the job that is open for this rotor, or offer to begin one."""
        bench, position = self.session.bench, self.session.position
        self.bench = None
        if bench is not None and position is not None and (kept := open_job(self.session.archive, bench.name, position)) is not None:
            self.bench = BalanceBench(self.session.archive, kept.job, kept.id)
        self.show_job()

    def show_job(self) -> None:
        """Show what to do next, and the vectors."""
        empty(self.left)
        empty(self.right)
        self.polar = None
        if self.bench is None:
            self._offer()
        else:
            self._tell(self.bench, self.bench.step)
            self._draw(self.bench.job)
        self.left.addStretch(1)

    def _offer(self) -> None:
        self.left.addWidget(label(f"Balance {self.session.position}", "head"))
        self.left.addWidget(label(REFIT))
        self.method = QComboBox()
        self.method.addItem("amplitude and phase: a tacho is on a second channel", "phase")
        self.method.addItem("amplitude alone: a trial weight at three places", "amplitude")
        self.places, self.pieces, self.setup = QLineEdit("blades@45 hub@6"), QLineEdit(), QLineEdit()
        self.rotor = QDoubleSpinBox()
        self.rotor.setRange(0, 5000)
        self.rotor.setSuffix(" g")
        self.rotor.setSpecialValueText("not weighed")
        for words, widget, tip in (
            ("How", self.method, ""),
            ("Where weights may go, radius in mm", self.places, "blades@45, flanks@20, hub@6 (propeller), holes6@9, rim@14 (bell)"),
            ("Weights at hand, in g", self.pieces, "such as 0.02,0.05,0.1; left open, any mass to 1 mg"),
            ("Mass of all that turns", self.rotor, "propeller, bell and shaft; a balance grade needs it"),
            ("Set-up", self.setup, "sensor, its place and fixing; leave it as it is for the whole job"),
        ):
            self.left.addWidget(label(words, "small"))
            widget.setToolTip(tip)
            self.left.addWidget(widget)
        self.begin = QPushButton("Begin")
        self.begin.setObjectName("first")
        self.begin.clicked.connect(self.begin_job)
        self.left.addLayout(_row(self.begin))
        self.right.addWidget(label(MARK))
        self.right.addWidget(label(FIXED, "caution"))
        self.right.addWidget(label(ADVICE, "caution"))
        self.right.addStretch(1)

    def begin_job(self) -> None:
        """Begin a job as it stands in the form."""
        bench, position = self.session.bench, self.session.position
        if bench is None or position is None:
            return
        propeller = bench.craft.rotor(position).propeller
        try:
            pieces = tuple(float(word) for word in self.pieces.text().split(",") if word.strip())
            job = BalanceJob(
                bench.name, position, self.method.currentData(), spots_from(self.places.text().split(), propeller.blades), Stock(pieces),
                setup=self.setup.text().strip(), propeller_g=propeller.mass_g, rotor_g=self.rotor.value() or None,
            )  # fmt: skip
        except VibekitError as error:
            self.desk.tell(sentence(str(error)))
            return
        except ValueError:
            self.desk.tell(f"Weights at hand are {self.pieces.text()!r}; write numbers in g with commas between them.")
            return
        self.bench = BalanceBench(self.session.archive, job)
        self.show_job()

    def _tell(self, bench: BalanceBench, step: Step) -> None:
        self.left.addWidget(label(NEXT[step.kind], "head"))
        self.left.addWidget(label(step.text))
        for line in step.why:
            self.left.addWidget(label(line, "small"))
        if step.weights:
            self.left.addWidget(label("On the rotor, in all:", "title"))
        for weight in step.weights:
            mass, spot = weight.mass_g, weight.spot
            self.left.addWidget(
                label(f"{mass:.3g} g at {spot.name}, {spot.angle_deg:.0f}° from the mark, {spot.radius_mm:g} mm from the middle")
            )
        self._act(bench, step)
        for line in step.cautions:
            self.left.addWidget(label(line, "caution"))
        if step.kind not in ("finished", "refused"):
            self.left.addWidget(label(ADVICE, "caution"))

    def _act(self, bench: BalanceBench, step: Step) -> None:
        if step.kind in ("trial", "correct"):
            self.done = QPushButton("It is mounted so")
            self.done.setObjectName("first")
            self.done.clicked.connect(lambda: self._do(partial(bench.do, step)))
            self.left.addLayout(_row(self.done))
        elif step.kind == "record":
            drop = DropArea(self.desk, "Drop the recordings of this state here, or record under “Measure” and bring the file.")
            drop.dropped.connect(self.add_files)
            self.left.addWidget(drop)
        elif step.kind == "refused":
            on = QPushButton("Go on all the same")
            on.clicked.connect(lambda: self._do(bench.overrule))
            self.left.addLayout(_row(on))
        if step.kind != "finished":
            refit, end = QPushButton("the propeller was taken off"), QPushButton("end this job")
            refit.clicked.connect(lambda: self._do(bench.refitted))
            end.clicked.connect(lambda: self._do(partial(bench.end, "ended by the user")))
            for button in (refit, end):
                button.setObjectName("quiet")
            self.left.addLayout(_row(refit, end))

    def _do(self, act: Callable[[], None]) -> None:
        try:
            act()
        except VibekitError as error:
            self.desk.tell(sentence(str(error)))
        self.show_job()

    def add_files(self, files: list[str]) -> None:
        """Add recordings of the rotor as it is now."""
        bench = self.bench
        if bench is None:
            return
        settings = self.session.settings_of(Stated(bench.job.position, "prop"))

        def add(step: object) -> BalanceJob:
            for number, file in enumerate(map(Path, files)):
                step(number / len(files), f"measuring {file.name}")  # type: ignore[operator]
                bench.add(file, Reader().read(file), settings, pack(Reader()))
            return bench.job

        self.desk.workers.start("balance", add, lambda _: self._added(), self._refused)

    def _added(self) -> None:
        self.show_job()
        self.desk.reload()

    def _refused(self, why: str) -> None:
        self.desk.tell(sentence(why))
        self.show_job()

    def _draw(self, job: BalanceJob) -> None:
        heard = [(f"{n}: {r.stage}", level(job, r), r) for n, r in enumerate(job.rounds, 1) if r.takes]
        if not heard:
            self.right.addWidget(label(MARK))
            self.right.addStretch(1)
            return
        if job.method == "phase":
            self.polar = plot = PolarPlot(self.look, "1x so far, angle before the tacho's pulse", heard[0][1].unit)
            self.plot(plot)
            plot.rings(max(abs(seen.value) + (seen.u95 if math.isfinite(seen.u95) else 0.0) for _, seen, _ in heard))
            for number, (words, seen, _) in enumerate(heard):
                plot.arrow(seen.value, words, "this" if number == len(heard) - 1 else "muted", u95=seen.u95)
            self.right.addWidget(plot, 1)
        for words, seen, _ in heard:
            self.right.addWidget(label(f"{words}: {_level_words(seen, job)}", "small"))
        if (found := _solved(job)) is not None:
            for answer in found.planes:
                at = math.degrees(cmath.phase(answer.wanted)) % 360
                wanted = f"wanted in all {with_interval(abs(answer.wanted), answer.u95, 'g mm')} at {at:.0f}°"
                self.right.addWidget(label(f"<b>{sentence(answer.plane)}</b>: {wanted}; left now {left_words(answer.left)}."))
        self.right.addWidget(rule(self.look))


def _solved(job: BalanceJob) -> Solution | None:
    try:
        return solve(job)
    except UsageError:
        return None


def _level_words(seen: Level, job: BalanceJob) -> str:
    turned = f" at {math.degrees(cmath.phase(seen.value)) % 360:.0f}°" if job.method == "phase" else ""
    return f"1x {with_interval(abs(seen.value), seen.u95, seen.unit)}{turned}"


def _row(*widgets: QWidget) -> QHBoxLayout:
    row = QHBoxLayout()
    for widget in widgets:
        row.addWidget(widget)
    row.addStretch(1)
    return row
