"""The swap test, step by step: propeller or motor? What is still to be measured, and what it says."""

import textwrap
from datetime import UTC, datetime
from functools import partial

import numpy as np
from PySide6.QtWidgets import QComboBox, QHBoxLayout, QLabel, QPushButton, QVBoxLayout

from vibekit.gui.desk import Desk, Page, beside, column, empty, label, rule, scrolled
from vibekit.gui.plot import Plot
from vibekit.gui.series import Series
from vibekit.gui.swap_test import SwapTest, partners
from vibekit.kept import PartAction
from vibekit.moment import local
from vibekit.refit import REFITS, RESEATED
from vibekit.swap import ANSWERS, SwapResult
from vibekit.turning import ADVICE, BLADES, HANDS, POWER
from vibekit.wording import likelihood, listed, sentence

HOW = (
    "The propellers of two rotors that turn the same way change places, everything else is left alone, and both are measured again. "
    "What moves with the propeller was the propeller; what stays was the motor."
)
SHOWN = 5  # quantities in the plot; its numbers hold all
MARKS = (("muted", "o", "●"), ("this", "s", "■"), ("baseline", "t", "▼"))


class SwapPage(Page):
    """The swap test of the chosen rotor with another."""

    name, title = "swap", "Swap test"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.test: SwapTest | None = None
        self.pair: tuple[str, str] | None = None
        self.moved: Plot | None = None
        self.first, self.second = QComboBox(), QComboBox()
        self.first.setAccessibleName("the suspect")
        self.second.setAccessibleName("the rotor that its propeller changes places with")
        self.first.activated.connect(lambda _: self.suspect(self.first.currentText()))
        self.second.activated.connect(lambda _: self.pair_up(self.first.currentText(), self.second.currentText()))
        self.steps, self.right = QVBoxLayout(), QVBoxLayout()
        px = self.look.px
        for part in (self.steps, self.right):
            part.setSpacing(px(7))
        choice = QHBoxLayout()
        for widget in (QLabel("Suspect"), self.first, QLabel("with"), self.second):
            choice.addWidget(widget)
        choice.addStretch(1)
        side = column(self.look, label("Propeller or motor?", "head"), label(HOW), choice, self.steps, gap=7)
        side.setContentsMargins(0, 0, px(10), 0)
        side.addStretch(1)
        self.right.setContentsMargins(0, 0, px(10), 0)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(px(14), px(8), px(8), px(6))
        whole.addWidget(scrolled(side), 10)
        whole.addWidget(scrolled(self.right), 11)

    def refresh(self) -> None:
        """Go on with the pair that the chosen rotor is of, or begin one with it."""
        bench, position = self.session.bench, self.session.position
        if bench is None or position is None:
            return
        if self.pair is None or position not in self.pair or not set(self.pair) <= set(bench.positions):
            self.pair = bench.swapped(position) or (position, next(iter(partners(bench.craft, position)), ""))
        self.pair_up(*self.pair)

    def suspect(self, first: str) -> None:
        """Suspect another rotor; its propeller changes places with the same one, where it can."""
        bench = self.session.bench
        if bench is None:
            return
        others = partners(bench.craft, first)
        second = self.second.currentText()
        self.session.choose(first)
        self.pair_up(first, second if second in others else next(iter(others), ""))

    def pair_up(self, first: str, second: str) -> None:
        """Gather and judge what is kept of these two."""
        bench = self.session.bench
        if bench is None:
            return
        self.pair, self.test = (first, second), None
        for box, names, chosen in ((self.first, bench.positions, first), (self.second, partners(bench.craft, first), second)):
            box.clear()
            box.addItems(names)
            box.setCurrentText(chosen)
        empty(self.steps)
        empty(self.right)
        if not second:
            self.steps.addWidget(
                label(f"No other rotor of {bench.name} turns the way {first} does: no propeller can change places with its.")
            )
            return
        self.steps.addWidget(label("Looking at what is kept …", "small"))
        self.desk.workers.start("swap", lambda step: self.session.swap(first, second, step), self.show_test)

    def show_test(self, test: SwapTest) -> None:
        """Show how far it is, and what it says."""
        self.test, self.moved = test, None
        empty(self.steps)
        empty(self.right)
        self._show_steps(test)
        self._show_result(test)

    def _show_steps(self, test: SwapTest) -> None:
        first, second = test.pair
        missing = test.file.missing
        self.steps.addWidget(label("Still to do, in this order:" if missing else "Everything is measured.", "title"))
        for number, step in enumerate(missing, 1):
            how = step.how.replace(" (`vibekit refit` notes it)", "")
            self.steps.addWidget(label(f"{number}. {f'<b>{how}</b>' if number == 1 else how}"))
        row = QHBoxLayout()
        for position in (first, second):
            button = QPushButton(f"Measure {position} …")
            button.clicked.connect(partial(self._measure, position))
            row.addWidget(button)
        self.swapped = QPushButton("The propellers have changed places")
        self.swapped.setToolTip("notes at both rotors that they are swapped now; undo takes it back")
        self.swapped.clicked.connect(self.note_swap)
        action = test.file.action
        self.swapped.setEnabled(action is None or bool(test.file.first.after and test.file.second.after))
        row.addStretch(1)
        self.steps.addLayout(row)
        self.steps.addLayout(beside(self.swapped))
        self.refitted: dict[str, QPushButton] = {}
        for position in (first, second):
            button = self.refitted[position] = QPushButton(f"{position} refitted")
            button.setObjectName("quiet")
            button.setToolTip(f"notes that the propeller of {position} was taken off and put back, to measure what that does by itself")
            button.clicked.connect(partial(self._note_refit, position))
        self.steps.addLayout(beside(*self.refitted.values()))
        fitted = (f"{side.position} {side.refits}" for side in (test.file.first, test.file.second))
        self.steps.addWidget(
            label(f"Measured each time its own propeller was fitted: {listed(list(fitted))}; {REFITS} are wanted.", "small")
        )
        if action is not None:
            self.steps.addWidget(label(f"They changed places on {local(action.done_at)}.", "small"))
        self.steps.addWidget(rule(self.look))
        bench = self.session.bench
        way = bench.craft.way if bench else None
        for line in (*(way.cautions if way else (*HANDS, *POWER, *BLADES)), ADVICE):
            self.steps.addWidget(label(line, "caution"))

    def _measure(self, position: str, _checked: bool = False) -> None:
        self.desk.measure(position, "prop")

    def _note_refit(self, position: str, _checked: bool = False) -> None:
        bench = self.session.bench
        if bench is not None:
            self.session.keep_action([PartAction(bench.name, position, "propeller", RESEATED, "", "", datetime.now(UTC))])
            self.desk.tell(f"Noted. Measure {position} again in the same way.")
            self.desk.reload()

    def note_swap(self) -> None:
        """Note at both rotors that their propellers have changed places."""
        if self.test is not None:
            self.session.keep_swap(*self.test.pair)
            self.desk.tell("Noted. Measure both again in the same way.")
            self.desk.reload()

    def _show_result(self, test: SwapTest) -> None:
        result = test.result
        if result is None:
            self.right.addWidget(label("What it says stands here when everything is measured."))
            self.right.addStretch(1)
            return
        self.right.addWidget(label(test.words, "head"))
        for answer, probability in sorted(result.probabilities.items(), key=lambda each: -each[1]):
            self.right.addWidget(label(f"{sentence(ANSWERS[answer])}: {likelihood(probability)}", "small"))
        if result.moved:
            self.right.addWidget(self._draw_moved(test.pair, result))
            self.right.addWidget(self.key)
        for caution in result.cautions:
            self.right.addWidget(label(f"{sentence(caution)}.", "caution"))
        if result.next_step:
            self.right.addWidget(label(f"<b>Next.</b> {sentence(result.next_step)}."))
        self.right.addWidget(label(f"{ADVICE} Nothing here is a permission to fly.", "small"))
        self.right.addStretch(1)

    def _draw_moved(self, pair: tuple[str, str], result: SwapResult) -> Plot:
        (first, second), moved = pair, result.moved
        plot = self.moved = self.plot(Plot(self.look, "What moved, each with its 95 % interval", ("", ""), ("change", "dB"), hold="both"))
        names = (f"{first} stood out by", f"{first} at the swap", f"{second} at the swap")
        shapes = ((name, self.look.ink(ink).name(), glyph) for name, (ink, _, glyph) in zip(names, MARKS, strict=True))
        self.key = label(" &nbsp; ".join(f"<span style='color:{ink}'>{glyph}</span> {name}" for name, ink, glyph in shapes), "small")
        plot.say = lambda _x, y: f"{y:.1f} dB"
        plot.setFixedHeight(self.look.px(270))
        reach = 3.0
        for number, name in enumerate(names):
            found = [(at, told, m.name) for at, m in enumerate(moved) if (told := (m.excess, m.first, m.second)[number]) is not None]
            at, values, u95 = _columns(found)
            plot.remember(Series(name, at, values, u95, tuple(row[2] for row in found)))
            shown = at < SHOWN
            ink, symbol, _ = MARKS[number]
            plot.points(at[shown] + 0.22 * (number - 1), values[shown], ink, u95=u95[shown], symbol=symbol)
            reach = max([reach, *(np.abs(values[shown]) + u95[shown])])
        plot.level(0.0, "ink")
        count = min(len(moved), SHOWN)
        axis = plot.item.getAxis("bottom")
        axis.setHeight(self.look.px(52))
        axis.setTicks([[(at, "\n".join(textwrap.wrap(moved[at].name, 14))) for at in range(count)]])
        plot.frame(-0.6, count - 0.4, -1.1 * reach, 1.1 * reach)
        return plot


def _columns(found: list[tuple[int, tuple[float, float], str]]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rows = np.array([(at, *told) for at, told, _ in found], dtype=np.float64).reshape(-1, 3)
    return rows[:, 0], rows[:, 1], rows[:, 2]
