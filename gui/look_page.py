"""The eye-and-hand check: first what keeps hands safe, then each question with its answers side by side."""

from functools import partial

from PySide6.QtWidgets import QButtonGroup, QFileDialog, QHBoxLayout, QLineEdit, QPushButton, QVBoxLayout

from vibekit.errors import VibekitError
from vibekit.gui.desk import Desk, Page, empty, label, rule, scrolled
from vibekit.gui.draft import Draft
from vibekit.questions import BENCH_CAUTION, CAUTIONS, HEADS, Asked, hint_for, question_of
from vibekit.wording import sentence

WAITS = {"battery-out": "Take the battery out first, and say so above.", "props-off": "Take all propellers off first, and say so above."}


class LookPage(Page):
    """Questions about the chosen rotor."""

    name, title = "look", "Look and feel"

    def __init__(self, desk: Desk) -> None:
        super().__init__(desk)
        self.draft: Draft | None = None
        self.questions = QVBoxLayout()
        self.questions.setSpacing(self.look.px(5))
        self.rows: dict[tuple[str, str], QButtonGroup | QLineEdit] = {}
        px = self.look.px
        self.questions.setContentsMargins(0, 0, px(12), 0)
        side = QVBoxLayout()
        side.setSpacing(px(6))
        for line in CAUTIONS:
            side.addWidget(label(line, "caution"))
        side.addWidget(rule(self.look))
        self.count = label()
        self.keep = QPushButton("Keep these answers")
        self.keep.setObjectName("first")
        self.keep.clicked.connect(self.keep_answers)
        side.addWidget(self.count)
        side.addWidget(self.keep)
        self.before = label("", "small")
        side.addWidget(self.before)
        side.addStretch(1)
        side.setContentsMargins(0, 0, px(6), 0)
        right_area = scrolled(side)
        right_area.setFixedWidth(px(330))
        self.area = scrolled(self.questions)
        whole = QHBoxLayout(self)
        whole.setContentsMargins(px(14), px(8), px(4), px(6))
        whole.addWidget(self.area, 1)
        whole.addWidget(right_area)

    def refresh(self) -> None:
        """Ask about the chosen rotor; what was answered for the others stays."""
        bench, position = self.session.bench, self.session.position
        if bench is None or position is None:
            return
        if self.draft is None or self.draft.craft != bench.craft:
            self.draft = Draft(bench.craft)
        self._ask(self.draft, position)
        seen = bench.motor(position).answers
        told = [f"{sentence(_said(a.question, a.answer))}." for a in seen]
        self.before.setText(
            f"The newest check kept said of {position}: {' '.join(told)}" if told else f"No check of {position} is kept yet."
        )

    def _ask(self, draft: Draft, position: str) -> None:
        empty(self.questions)
        self.rows = {}
        head = ""
        for asked in draft.about(position):
            title = HEADS[asked.question.stage]
            title = f"{asked.position}: {title}" if asked.position else title
            if title != head:
                self.questions.addWidget(label(sentence(title), "title"))
                if asked.question.stage == "bench":
                    self.questions.addWidget(label(BENCH_CAUTION, "caution"))
                if waits := draft.waits_for(asked):
                    self.questions.addWidget(label(WAITS[waits], "small"))
                head = title
            self._row(draft, asked)
        self.questions.addStretch(1)
        self._count()

    def _row(self, draft: Draft, asked: Asked) -> None:
        question, given = asked.question, draft.given.get(asked)
        hint = hint_for(asked, draft.craft)
        self.questions.addWidget(label(f"{question.text}{f' ({hint})' if hint else ''}"))
        row = QHBoxLayout()
        allowed = not draft.waits_for(asked)
        if question.choices:
            group = QButtonGroup(self)
            for choice in question.choices:
                button = QPushButton(choice.word.replace("-", " "))
                button.setCheckable(True)
                button.setToolTip(choice.text)
                button.setAccessibleName(f"{question.text} {choice.text}")
                button.setEnabled(allowed)
                button.setChecked(given is not None and given.answer == choice.word)
                button.clicked.connect(partial(self._answered, asked, choice.word))
                group.addButton(button)
                row.addWidget(button)
            self.rows[asked.position, question.id] = group
        else:
            line = QLineEdit(given.answer if given else "")
            line.setAccessibleName(question.text)
            line.setPlaceholderText(f"such as {question.form}")
            line.setEnabled(allowed)
            line.setFixedWidth(self.look.px(260))
            line.editingFinished.connect(lambda: self._answered(asked, line.text()) if line.text().strip() else draft.skip(asked))
            self.rows[asked.position, question.id] = line
            row.addWidget(line)
        if given is not None:
            row.addWidget(self._note(draft, asked))
            photo = QPushButton(f"photo … ({len(given.photos)})" if given.photos else "photo …")
            photo.setObjectName("quiet")
            photo.clicked.connect(lambda: self._photo(asked))
            row.addWidget(photo)
        row.addStretch(1)
        self.questions.addLayout(row)
        if given is not None and question.choices and (advice := question.choice(given.answer).advice):
            self.questions.addWidget(label(advice, "caution"))

    def _note(self, draft: Draft, asked: Asked) -> QLineEdit:
        given = draft.given[asked]
        note = QLineEdit(given.note)
        note.setPlaceholderText("note")
        note.setAccessibleName(f"note on: {asked.question.text}")
        note.setMinimumWidth(self.look.px(160))
        note.editingFinished.connect(lambda: draft.give(asked, given.answer, note.text(), [photo.path for photo in given.photos]))
        return note

    def _photo(self, asked: Asked) -> None:
        assert self.draft is not None
        files, _ = QFileDialog.getOpenFileNames(self, "Photos of what was seen", "", "pictures (*.jpg *.jpeg *.png)")
        given = self.draft.given[asked]
        if files:
            self._answered(asked, given.answer, note=given.note, photos=[photo.path for photo in given.photos] + files)

    def _answered(self, asked: Asked, word: str, _checked: bool = False, *, note: str = "", photos: list[str] | None = None) -> None:
        assert self.draft is not None
        try:
            self.draft.give(asked, word, note, photos or ())
        except VibekitError as error:
            self.desk.tell(sentence(str(error)))
            return
        at = self.area.verticalScrollBar().value()
        self._ask(self.draft, self.session.position or "")
        self.area.verticalScrollBar().setValue(at)

    def answer(self, question: str, position: str, word: str) -> None:
        """Answer a question by its id, as a click on its answer does."""
        assert self.draft is not None
        self._answered(next(a for a in self.draft.asked if (a.question.id, a.position) == (question, position)), word)

    def _count(self) -> None:
        assert self.draft is not None
        done, all_ = len(self.draft.given), len(self.draft.asked)
        self.count.setText(f"{done} of {all_} questions about the whole craft are answered; those left open stay open.")
        self.keep.setEnabled(done > 0)

    def keep_answers(self) -> None:
        """Keep the check."""
        assert self.draft is not None
        self.session.keep_answers(self.draft.answers)
        self.desk.tell(f"{len(self.draft.answers)} answers kept.")
        self.draft = None
        self.desk.reload()


def _said(question: str, answer: str) -> str:
    known = question_of(question)
    return known.choice(answer).text if known.choices else answer
