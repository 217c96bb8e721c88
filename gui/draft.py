"""An eye-and-hand check that is being made: what was answered so far, and what may be asked now. No Qt."""

from collections.abc import Sequence
from pathlib import Path

from vibekit.craft import Craft
from vibekit.inspection import GivenAnswer
from vibekit.inspection_evidence import check_answer
from vibekit.inspection_file import photo_at
from vibekit.questions import Asked, Choice, Stage, questions_for

GATES: tuple[tuple[str, tuple[Stage, ...]], ...] = (
    ("battery-out", ("as found", "off", "in hand", "motor", "bench")),
    ("props-off", ("in hand", "motor")),
)


class Draft:
    """Answers of one check of one craft, not kept yet."""

    def __init__(self, craft: Craft) -> None:
        self.craft = craft
        self.asked = questions_for(craft)
        self.given: dict[Asked, GivenAnswer] = {}

    def about(self, position: str) -> tuple[Asked, ...]:
        """Questions of the whole craft and of one rotor, in the order in which they are asked."""
        return tuple(asked for asked in self.asked if asked.position in ("", position))

    def waits_for(self, asked: Asked) -> str:
        """Name the safety question that must be answered yes first, "" when this one may be asked."""
        for gate, stages in GATES:
            if asked.question.stage in stages and self.answer(gate) != "yes" and not (gate == "props-off" and asked.question.id == gate):
                return gate
        return ""

    def answer(self, question: str, position: str = "") -> str | None:
        """Give the word that a question was answered with."""
        return next((a.answer for k, a in self.given.items() if (k.question.id, k.position) == (question, position)), None)

    def give(self, asked: Asked, word: str, note: str = "", photos: Sequence[str] = ()) -> Choice | None:
        """Answer a question; give the choice, None where a measurement was typed. Raises UsageError, UnreadableError."""
        word = check_answer(asked.question, word)
        self.given[asked] = GivenAnswer(asked.position, asked.question.id, word, note, tuple(photo_at(Path(photo)) for photo in photos))
        return asked.question.choice(word) if asked.question.choices else None

    def skip(self, asked: Asked) -> None:
        """Leave a question open again."""
        self.given.pop(asked, None)

    @property
    def answers(self) -> tuple[GivenAnswer, ...]:
        """What was answered, in the order in which it is asked."""
        return tuple(self.given[asked] for asked in self.asked if asked in self.given)
