"""Balancing, guided: what to do next and why, where to put what, and the vectors so far."""

import cmath
import math
from collections.abc import Callable
from functools import partial
from pathlib import Path

from PySide6.QtWidgets import QComboBox, QDoubleSpinBox, QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout, QWidget

from vibekit.balance_bench import BalanceBench, open_job
from vibekit.balance_job import COUNTED, MARK, BalanceJob, Method
from vibekit.balance_solution import Level, Solution, level, solve
from vibekit.balance_step import Step as BalanceStep
from vibekit.balance_verdict import left_words
from vibekit.capture.reader import Reader
from vibekit.capture.recorder import Glance
from vibekit.capture.take import Form
from vibekit.errors import UsageError, VibekitError
from vibekit.gui.desk import Desk, Page, beside, column, empty, label, rule, scrolled
from vibekit.gui.drop_area import DropArea
from vibekit.gui.live import Live
from vibekit.gui.live_vector import LiveVector, look_for_vector
from vibekit.gui.polar_plot import PolarPlot
from vibekit.gui.record_row import RecordRow
from vibekit.gui.rotor_sketch import RotorSketch
from vibekit.gui.session import BeforeBalance, Stated
from vibekit.gui.sources import Roles, serial_sensors, sound_cards
from vibekit.gui.steps import Step
from vibekit.packing import pack
from vibekit.recording import RELATIVE
from vibekit.settings import Settings
from vibekit.spots import Stock, spots_from
from vibekit.turning import ADVICE
from vibekit.wording import sentence, with_interval

FIXED = "Trial weights fixed so that they cannot leave: 0.1 g at 60 mm and 10 000 rpm pulls 6.6 N and leaves at 63 m/s."
NEXT = {"record": "Next: record", "trial": "Next: a trial weight", "correct": "Next: the correction", "finished": "Finished",
        "refused": "Balancing cannot help here"}  # fmt: skip
TACHO_RIGHT: Roles = ("vibration", "tacho")
FILED: tuple[tuple[str, Roles | None], ...] = (
    ("files: as they say, else vibration left and tacho right", None),
    ("files: vibration left, tacho right", TACHO_RIGHT),
    ("files: tacho left, vibration right", ("tacho", "vibration")),
)
VECTOR_EVERY = 6  # paints between two looks for the vector


class BalancePage(Page):
    """The balancing job of the chosen rotor. While it records, it stays with the rotor that is recorded."""

    name, title = "balance", "Balance"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.bench: BalanceBench | None = None
        self.polar: PolarPlot | None = None
        self.live: Live | None = None
        self.now = LiveVector()
        self.paints = 0
        self.listed = False
        self.row = RecordRow(desk, self._what_for, lambda: sound_cards() + serial_sensors())
        self.row.began.connect(self._began)
        self.row.heard.connect(self._hear)
        self.row.taken.connect(lambda take: self.add_files([str(take.path)]))
        self.filed = QComboBox()
        self.filed.setAccessibleName("what each channel of the files holds")
        for words, roles in FILED:
            self.filed.addItem(words, roles)
        self.left, self.below, self.right = QVBoxLayout(), QVBoxLayout(), QVBoxLayout()
        px = self.look.px
        drop = DropArea(desk, "Or drop recordings of this state here.")
        drop.dropped.connect(self.add_files)
        self.taking = QWidget()
        taking = column(self.look, self.row, self.row.said, drop, self.filed, gap=6)
        taking.addWidget(rule(self.look))
        self.taking.setLayout(taking)
        side = column(self.look, self.left, self.taking, self.below, gap=7)
        side.setContentsMargins(0, 0, px(10), 0)
        side.addStretch(1)
        for part in (self.left, self.below):
            part.setSpacing(px(7))
        whole = QHBoxLayout(self)
        whole.setContentsMargins(px(14), px(8), px(8), px(6))
        whole.addWidget(scrolled(side), 10)
        whole.addLayout(self.right, 11)

    @property
    def busy(self) -> bool:
        """A run of the rotor is recorded."""
        return bool(self.row.state)

    def end(self) -> None:
        """Let a running recording end, and keep it."""
        self.row.end()

    def refresh(self) -> None:
        """Go on with the job that is open for this rotor, or offer to begin one."""
        if self.busy:
            return
        bench, position = self.session.bench, self.session.position
        self.bench = None
        if bench is not None and position is not None and (kept := open_job(self.session.archive, bench.name, position)) is not None:
            self.bench = BalanceBench(self.session.archive, kept.job, kept.id)
        self.show_job()

    def show_job(self) -> None:
        """Show what to do next, and the vectors."""
        for part in (self.left, self.below, self.right):
            empty(part)
        self.polar, self.now = None, LiveVector()
        step = self.bench.step if self.bench is not None else None
        self.taking.setVisible(step is not None and step.kind == "record")
        if self.bench is None or step is None:
            self._offer()
            return
        phase = self.bench.job.method == "phase"
        self.filed.setVisible(phase)
        if step.kind == "record" and not self.listed:
            self.listed = True
            self.row.want(TACHO_RIGHT if phase else ("vibration",))
            self.row.list_devices()
        self._tell(self.bench, step)
        self._prepare(self.bench.job)

    def _offer(self) -> None:
        self.left.addWidget(label(f"Balance {self.session.position}", "head"))
        self.left.addWidget(label(MARK))
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
            widget.setAccessibleName(words)
            self.left.addWidget(widget)
        self.begin = QPushButton("Begin")
        self.begin.setObjectName("first")
        self.begin.clicked.connect(self.begin_job)
        self.left.addLayout(beside(self.begin))
        self.right.addWidget(label(COUNTED))
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
        self.session.balance_changed(f"balancing of {position} begun", self.bench, None)
        self.show_job()

    def _tell(self, bench: BalanceBench, step: BalanceStep) -> None:
        self.left.addWidget(label(NEXT[step.kind], "head"))
        self.left.addWidget(label(step.text))
        for line in step.why:
            self.left.addWidget(label(line, "small"))
        if step.weights:
            self._show_weights(bench.job, step)
        self._act(bench, step)
        for line in step.cautions:
            self.below.addWidget(label(line, "caution"))
        if step.kind not in ("finished", "refused"):
            self.below.addWidget(label(ADVICE, "caution"))

    def _show_weights(self, job: BalanceJob, step: BalanceStep) -> None:
        words = column(self.look, label("On the rotor, in all:", "title"), gap=7)
        for weight in step.weights:
            spot = weight.spot
            words.addWidget(
                label(f"{weight.mass_g:.3g} g at {spot.name}, {spot.angle_deg:.0f}° from the mark, {spot.radius_mm:g} mm from the middle")
            )
        words.addWidget(label("Angles count from the mark in the direction of the arrow.", "small"))
        words.addStretch(1)
        row = QHBoxLayout()
        row.addLayout(words, 1)
        bench = self.session.bench
        rotor = bench.craft.rotor(job.position) if bench else None
        row.addWidget(
            RotorSketch(self.look, rotor.propeller.blades if rotor else None, rotor.hand if rotor else None, job.spots, step.weights)
        )
        self.left.addLayout(row)

    def _act(self, bench: BalanceBench, step: BalanceStep) -> None:
        if step.kind in ("trial", "correct"):
            self.done = QPushButton("It is mounted so")
            self.done.setObjectName("first")
            self.done.clicked.connect(lambda: self._do("weights mounted", partial(bench.do, step)))
            self.left.addLayout(beside(self.done))
        elif step.kind == "refused":
            on = QPushButton("Go on all the same")
            on.clicked.connect(lambda: self._do("balancing in spite of what speaks against it", bench.overrule))
            self.left.addLayout(beside(on))
        if step.kind == "finished":
            self.another = QPushButton("Begin another job")
            self.another.setToolTip("this one stays in the archive, with its report")
            self.another.clicked.connect(self._begin_another)
            self.left.addLayout(beside(self.another))
        else:
            refit, end = QPushButton("the propeller was taken off"), QPushButton("end this job")
            refit.clicked.connect(lambda: self._do("propeller taken off and put back", bench.refitted))
            end.clicked.connect(lambda: self._do("balancing ended", partial(bench.end, "ended by the user")))
            for button in (refit, end):
                button.setObjectName("quiet")
            self.below.addLayout(beside(refit, end))

    def _do(self, words: str, act: Callable[[], None]) -> None:
        bench = self.bench
        if bench is None:
            return
        before = self.session.before_balance(bench)
        try:
            act()
        except VibekitError as error:
            self.desk.tell(sentence(str(error)))
        else:
            self.session.balance_changed(words, bench, before)
        self.show_job()

    def _begin_another(self) -> None:
        """Leave the finished job, and offer to begin one."""
        if self.bench is not None and not self.bench.job.ended:
            self._do("balancing ended", partial(self.bench.end, "finished"))
        self.refresh()

    def _what_for(self) -> tuple[Settings, dict[str, str]]:
        """What the recording that begins now is of."""
        if self.bench is None:
            raise UsageError("no balancing job is open; begin one first")
        job = self.bench.job
        about = {"craft": job.craft, "position": job.position, "test": "prop", "setup": job.setup}
        return self.session.settings_of(Stated(job.position, "prop")), about

    def _began(self, form: Form, settings: Settings) -> None:
        self.live, self.now, self.paints = Live(form, settings), LiveVector(trouble="listening"), 0
        self._draw()

    def _hear(self, glance: Glance) -> None:
        """Look for the vector beside the window, as often as one look takes."""
        live, bench = self.live, self.bench
        if live is None or bench is None:
            return
        live.hear(glance)
        self.paints += 1
        if self.paints % VECTOR_EVERY == 1 and (newest := live.newest) is not None and not self.desk.workers.under_way("vector"):
            self.desk.workers.start("vector", lambda step: look_for_vector(newest, live.settings, bench.job), self.show_now)

    def show_now(self, now: LiveVector) -> None:
        """Show what 1x is just now over what it was."""
        if self.row.state == "recording":
            self.now = now
            self._draw()

    def add_files(self, files: list[str]) -> None:
        """Add recordings of the rotor as it is now."""
        bench, roles = self.bench, self.filed.currentData()
        if bench is None:
            return
        settings = self.session.settings_of(Stated(bench.job.position, "prop"))

        def add(step: Step) -> tuple[BeforeBalance, str]:
            before = self.session.before_balance(bench)
            try:
                for number, file in enumerate(map(Path, files)):
                    step(number / len(files), f"measuring {file.name}")
                    reader = _reader_for(file, bench.job.method, roles)
                    bench.add(file, reader.read(file), settings, pack(reader))
            except VibekitError as error:
                return before, str(error)
            return before, ""

        self.desk.workers.start("balance", add, lambda found: self._added(bench, *found), needed=True)

    def _added(self, bench: BalanceBench, before: BeforeBalance, trouble: str) -> None:
        if bench.job != before.job:
            self.session.balance_changed(f"recordings of the balancing of {bench.job.position}", bench, before)
            self.desk.reload()
        if trouble:
            self.desk.tell(sentence(trouble))
        self.show_job()

    def _prepare(self, job: BalanceJob) -> None:
        """Make the plot, and say in words what was heard."""
        heard = _heard(job)
        if not heard and self.taking.isHidden():
            self.right.addWidget(label(COUNTED))
            self.right.addStretch(1)
            return
        title = "1x, angle before the tacho's pulse" if job.method == "phase" else "1x; by amplitude alone its direction is not known"
        self.polar = PolarPlot(self.look, title, heard[0][1].unit if heard else RELATIVE)
        self.plot(self.polar)
        self.right.addWidget(self.polar, 1)
        self.said = label("", "head")
        self.trouble = label("", "caution")
        for widget in (self.said, self.trouble):
            self.right.addWidget(widget)
        for words, seen in heard:
            self.right.addWidget(label(f"{words}: {_level_words(seen.value, seen.u95, seen.unit, job)}", "small"))
        if heard and (found := _solved(job)) is not None:
            for answer in found.planes:
                at = math.degrees(cmath.phase(answer.wanted)) % 360
                wanted = f"wanted in all {with_interval(abs(answer.wanted), answer.u95, 'g mm')} at {at:.0f}°"
                self.right.addWidget(label(f"<b>{sentence(answer.plane)}</b>: {wanted}; left now {left_words(answer.left)}."))
        self._draw()

    def _draw(self) -> None:
        """Draw the vectors of the rounds, and over them the one that is heard now."""
        plot, bench, now = self.polar, self.bench, self.now
        if plot is None or bench is None:
            return
        job, heard, live = bench.job, _heard(bench.job), now.value is not None
        plot.clear()
        plot.unit = now.unit or plot.unit
        sizes = [abs(seen.value) + (seen.u95 if math.isfinite(seen.u95) else 0.0) for _, seen in heard]
        plot.rings(max([*sizes, abs(now.value or 0.0)], default=0.0))
        for number, (words, seen) in enumerate(heard):
            ink = "this" if number == len(heard) - 1 and not live else "baseline" if number == len(heard) - 1 else "muted"
            _vector(plot, seen.value, words, ink, seen.u95, job, number)
        if now.value is not None:
            _vector(plot, now.value, "now", "this", now.u95, job, len(heard))
            share = f": {100 * now.share:.0f}\N{NO-BREAK SPACE}% of what it was as found" if now.share is not None else ""
            self.said.setText(f"Now {_level_words(now.value, now.u95, now.unit, job)}{share}")
        speed = f"{with_interval(now.rpm, now.rpm_u95, 'rpm')}: " if now.rpm else ""
        self.trouble.setText(f"{speed}{now.trouble}" if now.trouble else "")
        self.said.setVisible(live)
        self.trouble.setVisible(bool(now.trouble))


def _heard(job: BalanceJob) -> list[tuple[str, Level]]:
    return [(f"{n}: {r.stage}", level(job, r)) for n, r in enumerate(job.rounds, 1) if r.takes]


def _vector(plot: PolarPlot, value: complex, words: str, ink: str, u95: float, job: BalanceJob, number: int) -> None:
    if job.method == "phase":
        plot.arrow(value, words, ink, u95=u95)
    else:
        plot.circle(abs(value), words, ink, u95=u95, at_deg=35.0 + 55.0 * number)


def _reader_for(file: Path, method: Method, roles: Roles | None) -> Reader:
    """How a file is read: as stated; else as it says itself, and where that is nothing of a tacho, as TACHO_RIGHT says."""
    if method == "amplitude" or roles is not None:
        return Reader(roles=roles)
    channels = Reader().read(file).channels
    silent = len(channels) == len(TACHO_RIGHT) and all(channel.role == "vibration" for channel in channels)
    return Reader(roles=TACHO_RIGHT if silent else None)


def _solved(job: BalanceJob) -> Solution | None:
    try:
        return solve(job)
    except UsageError:
        return None


def _level_words(value: complex, u95: float, unit: str, job: BalanceJob) -> str:
    turned = f" at {math.degrees(cmath.phase(value)) % 360:.0f}°" if job.method == "phase" else ""
    return f"1x {with_interval(abs(value), u95, unit)}{turned}"
