"""What to record from, what its channels hold, for how long; start, stop, and how the recording goes."""

from collections.abc import Callable
from pathlib import Path

from PySide6.QtCore import Qt, QTimer, Signal
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QPushButton, QSpinBox, QWidget

from vibekit.capture.recorder import Recorder, Source
from vibekit.capture.take import Take
from vibekit.errors import VibekitError
from vibekit.gui.desk import Desk, label
from vibekit.gui.sources import Offer, Roles, roles_for
from vibekit.gui.steps import Step
from vibekit.settings import Settings
from vibekit.wording import sentence

PAINT_MS = 30
USUAL_S = 20
WhatFor = Callable[[], tuple[Settings, dict[str, str]]]  # settings, and what the take is of; raises UsageError


class RecordRow(QWidget):
    """One line of choices with its button. said: how it goes, to be placed by whoever shows the row.

    state: "", "opening", "recording" or "finishing"; began: (form, settings) before the first look; heard: a Glance at most every PAINT_MS
    taken: the finished sound file
    """

    began = Signal(object, object)
    heard = Signal(object)
    taken = Signal(object)

    def __init__(self, desk: Desk, what_for: WhatFor, offers: Callable[[], list[Offer]]) -> None:
        super().__init__()
        self.desk, self.what_for, self.offers = desk, what_for, offers
        self.recorder: Recorder | None = None
        self.state = ""
        self.devices, self.roles = QComboBox(), QComboBox()
        for chooser in (self.devices, self.roles):
            chooser.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.devices.setAccessibleName("what to record from")
        self.roles.setAccessibleName("what each channel holds")
        self.devices.currentIndexChanged.connect(self._offer_roles)
        self.roles.setMinimumContentsLength(19)
        self.roles.hide()
        self.roles.setToolTip("what each channel holds; a tacho gives one pulse a turn")
        self._wanted: Roles = ("vibration",)
        self.roles.activated.connect(lambda _: self.want(self.roles.currentData()))
        self.rescan = QPushButton("look again")
        self.rescan.setObjectName("quiet")
        self.rescan.setToolTip("look for what was plugged in meanwhile")
        self.rescan.clicked.connect(self.list_devices)
        self.length = QSpinBox()
        self.length.setRange(0, 600)
        self.length.setAccessibleName("how long to record")
        self.length.setValue(USUAL_S)
        self.length.setSuffix(" s")
        self.length.setSpecialValueText("until stopped")
        self.go = QPushButton("Record")
        self.go.setObjectName("first")
        self.go.clicked.connect(self.toggle)
        self.said = label("", "small")
        row = QHBoxLayout(self)
        row.setContentsMargins(0, 0, 0, 0)
        row.addWidget(self.devices, 1)
        for widget in (self.roles, self.rescan, self.length, self.go):
            row.addWidget(widget)
        self.timer = QTimer(self)
        self.timer.setTimerType(Qt.TimerType.PreciseTimer)
        self.timer.setInterval(PAINT_MS)
        self.timer.timeout.connect(self.look)

    def list_devices(self) -> None:
        """Show what can be recorded from; while anything is recorded, looking would break it."""
        if self.desk.recording():
            return
        self.devices.clear()
        self.said.setText("")
        try:
            for offer in self.offers():
                self.devices.addItem(offer.words, offer)
        except VibekitError as error:
            self.said.setText(sentence(str(error)))
        self.go.setEnabled(self.devices.count() > 0)
        if not self.devices.count() and not self.said.text():
            self.said.setText("Nothing to record from was found; plug it in, then look again.")
        self._offer_roles()

    def want(self, roles: Roles) -> None:
        """Choose these roles wherever a device has channels for them."""
        self._wanted = roles
        self._offer_roles()

    def _offer_roles(self, *_: int) -> None:
        offer: Offer | None = self.devices.currentData()
        self.roles.clear()
        offered = roles_for(offer.channels) if offer is not None and offer.channels else []
        for words, roles in offered:
            self.roles.addItem(words, roles)
        self.roles.setCurrentIndex(next((at for at, (_, roles) in enumerate(offered) if roles == self._wanted), 0))
        self.roles.setVisible(bool(offered))

    def toggle(self) -> None:
        """Start, or stop what runs; what was recorded is kept."""
        offer: Offer | None = self.devices.currentData()
        if self.state == "recording" and self.recorder is not None:
            self.recorder.stop()
        elif not self.state and offer is not None:
            roles: Roles | None = self.roles.currentData()
            self.open(lambda: offer.open(roles))

    def open(self, opens: Callable[[], Source]) -> None:
        """Open a source beside the window, then record from it; one recording at a time."""
        if self.desk.recording():
            self.desk.tell("A recording runs; stop it first.")
            return
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

        self.desk.workers.start(
            f"open {id(self)}", start, lambda recorder: self._running(recorder, settings), self._not_opened, needed=True
        )

    def _not_opened(self, why: str) -> None:
        self.state = ""
        self.go.setEnabled(True)
        self.said.setText(sentence(why))

    def _running(self, recorder: Recorder, settings: Settings) -> None:
        self.recorder, self.state = recorder, "recording"
        self.said.setText("")
        self.go.setText("Stop")
        self.go.setEnabled(True)
        self.began.emit(recorder.form, settings)
        self.timer.start()

    def look(self) -> None:
        """Show the newest; end when the recorder has ended."""
        recorder = self.recorder
        if recorder is None:
            return
        glance = recorder.glance()
        if glance is not None:
            lost = f", {glance.lost} samples lost" if glance.lost else ""
            words = glance.warning or {"waiting": "waiting for sound", "paused": "paused"}.get(glance.state, "recording")
            self.said.setText(f"{sentence(words)}: {glance.seconds:.1f} s{lost}")
            self.heard.emit(glance)
        if recorder.done.is_set():
            self._finish(recorder)

    def _finish(self, recorder: Recorder) -> None:
        self.timer.stop()
        self.state = "finishing"
        self.go.setEnabled(False)
        self.go.setText("Record")
        self.said.setText(f"{sentence(recorder.ended)}; making the file …")
        self.desk.workers.start(f"finish {id(self)}", lambda step: recorder.finish(), self._finished, self._not_opened, needed=True)

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
