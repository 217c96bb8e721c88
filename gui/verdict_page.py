"""What the readings say of the chosen motor, and of the craft: what to do, why, what else it may be, and the next measurement."""

from PySide6.QtWidgets import QHBoxLayout, QPushButton, QVBoxLayout

from vibekit.catalogue import load_catalogue
from vibekit.craft_verdict import suspect_words
from vibekit.diagnosis import OPEN
from vibekit.finding import Diagnosis, Finding
from vibekit.gui.desk import Desk, Page, empty, label, rule, scrolled
from vibekit.gui.session import Bench
from vibekit.gui.strip import Mark
from vibekit.turning import ADVICE
from vibekit.wording import (
    act_words,
    caution_words,
    condition_words,
    factor,
    likelihood,
    listed,
    not_recorded,
    sentence,
    verdict,
)

EVIDENCE = 10


class VerdictPage(Page):
    """The verdict in words, and its way out as report, table, JSON."""

    name, title = "verdict", "What it says"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.left, self.right = QVBoxLayout(), QVBoxLayout()
        for side in (self.left, self.right):
            side.setSpacing(self.look.px(8))
        self.buttons: dict[str, QPushButton] = {}
        foot = QHBoxLayout()
        for words, ending, tip in (
            ("Report to hand over (HTML) …", "html", "everything that is known of this craft, one file that needs nothing else"),
            ("as PDF …", "pdf", "the same report, ready to print"),
            ("numbers as CSV …", "csv", "every measured number with its 95 % interval, a row each"),
            ("verdict as JSON …", "json", "readings, evidence and conclusions for other programs"),
        ):
            button = QPushButton(words)
            button.setToolTip(tip)
            button.clicked.connect(lambda _=False, ending=ending: self._ask(ending))
            self.buttons[ending] = button
            foot.addWidget(button)
        self.buttons["html"].setObjectName("first")
        foot.addStretch(1)
        body = QHBoxLayout()
        px = self.look.px
        for side, stretch in ((self.left, 11), (self.right, 10)):
            side.setContentsMargins(0, 0, px(12), 0)
            body.addWidget(scrolled(side), stretch)
        whole = QVBoxLayout(self)
        whole.setContentsMargins(px(14), px(10), px(8), px(8))
        whole.addLayout(body, 1)
        whole.addWidget(rule(self.look))
        whole.addLayout(foot)

    def refresh(self) -> None:
        """Say it anew."""
        empty(self.left)
        empty(self.right)
        bench, position = self.session.bench, self.session.position
        for button in self.buttons.values():
            button.setEnabled(bench is not None and bool(bench.verdicts))
        if bench is None or position is None:
            self.left.addWidget(label("No craft is open."))
            return
        self._say(bench, position)
        diagnosis = bench.verdicts.get(position)
        if diagnosis is not None:
            self._weigh(diagnosis)
        self.left.addStretch(1)
        self.right.addStretch(1)

    def _say(self, bench: Bench, position: str) -> None:
        end, motor = bench.conclusion(position), bench.motor(position)
        head = QHBoxLayout()
        head.addWidget(Mark(self.look, bench.state(position), 34))
        head.addWidget(label(f"{position}: {bench.state(position).words}", "big"), 1)
        self.left.addLayout(head)
        untested = not_recorded(r.settings.test for r in motor.readings if r.screening.usable)
        self.left.addWidget(label(verdict(end, untested), "head"))
        self.left.addWidget(label(act_words(end)))
        if caution := caution_words(end):
            self.left.addWidget(label(f"<b>Caution.</b> {caution}", "caution"))
        if end and end.reason:
            self.left.addWidget(label(end.reason))
        if end and end.next_step:
            self.left.addWidget(label(f"<b>Next.</b> {end.next_step}"))
        for line in bench.parts.about(position):
            self.left.addWidget(label(line))
        for reading in motor.readings:
            for problem in reading.screening.problems:
                if problem.severity != "note":
                    self.left.addWidget(label(f"{reading.file.rpartition('/')[2]}: {problem.detail}", "small"))
        self.left.addWidget(rule(self.look))
        self._say_craft(bench)
        self.left.addWidget(label(f"{ADVICE} Nothing here is a permission to fly.", "small"))

    def _say_craft(self, bench: Bench) -> None:
        whole = bench.whole
        if whole is None:
            self.left.addWidget(label("<b>The craft.</b> No motor is judged yet."))
            return
        self.left.addWidget(label(f"<b>The craft.</b> {whole.words}"))
        for number, suspect in enumerate(whole.acts, 1):
            self.left.addWidget(label(f"{number}. {suspect_words(suspect)}"))
        for suspect in whole.also:
            self.left.addWidget(label(f"Suspect, too: {suspect_words(suspect)}", "small"))
        if whole.next_step:
            self.left.addWidget(label(f"<b>Measure next.</b> {whole.next_position}: {whole.next_step}"))
        if whole.fault and whole.not_tested:
            self.left.addWidget(label(f"Not tested: {'; '.join(whole.not_tested)}.", "small"))

    def _weigh(self, diagnosis: Diagnosis) -> None:
        end = diagnosis.conclusion
        first = next((f for f in diagnosis.findings if f.condition == end.condition), next(iter(diagnosis.findings), None))
        if first is None:
            return
        self.right.addWidget(label(f"For and against: {condition_words(first.condition)}", "title"))
        for item in sorted(first.evidence, key=lambda e: -abs(e.weight))[:EVIDENCE]:
            side = "for" if item.supports else "against"
            self.right.addWidget(label(f"<b>{side}</b>  {item.text} <i>({factor(item)})</i>"))
        if not first.evidence:
            self.right.addWidget(label("No single measurement weighs much either way."))
        self._others(diagnosis, first)

    def _others(self, diagnosis: Diagnosis, first: Finding) -> None:
        others = [f for f in diagnosis.findings if f is not first and f.probability >= OPEN]
        self.right.addWidget(rule(self.look))
        self.right.addWidget(label("Not ruled out", "title"))
        for finding in others:
            self.right.addWidget(label(f"{sentence(condition_words(finding.condition))}: {likelihood(finding.probability)}."))
        if not others:
            self.right.addWidget(label("Nothing else is more than a few per cent likely."))
        alike = [condition_words(name) for name in load_catalogue()[first.condition].look_alikes]
        if alike:
            self.right.addWidget(label(f"Easily taken for it: {listed(alike)}.", "small"))
        self.right.addWidget(label(f"What tells them apart: {first.next_step}", "small"))

    def _ask(self, ending: str) -> None:
        bench = self.session.bench
        if bench is None:
            return
        title = self.buttons[ending].text().removesuffix(" …")
        if file := self.desk.ask_file(title, f"{bench.name}.{ending}", [ending]):
            self.write(file)

    def write(self, file: str) -> None:
        """Write report, table or JSON, by the ending of the name."""
        self.desk.workers.start("write", lambda step: self.session.write(file, step), lambda path: self.desk.tell(f"Written: {path}"))
