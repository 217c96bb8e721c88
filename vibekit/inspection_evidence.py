"""What the answers of an eye-and-hand check speak for, and what they ask to be done."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import TypeVar

from vibekit.bench_reading import (
    BURNS_C,
    METER_U95,
    Current,
    Temperature,
    current_against,
    read_current,
    read_resistance,
    read_temperature,
    uneven,
    warmth_against,
)
from vibekit.inspection import GivenAnswer, Inspection
from vibekit.questions import BEARING, CLEAR, REPLACE, REPLACE_FOLDING, STRONG, WEAK, Question, question_of

T = TypeVar("T")
DRAG = (*BEARING, "rub", "electrical")


@dataclass(frozen=True, slots=True)
class InspectionEvidence:
    """What one answer says of the conditions.

    text: in words; strength: log10 of the likelihood ratio with which it speaks for `for_conditions` and against `against_conditions`
    decides: damage that was seen or felt: it is there whatever the recordings say, and the part is not to be run before it is put right
    """

    position: str
    question: str
    answer: str
    text: str
    for_conditions: tuple[str, ...]
    against_conditions: tuple[str, ...]
    strength: float
    decides: bool = False

    @property
    def odds(self) -> dict[str, float]:
        """Log10 of how much more likely the answer is under each condition it speaks of."""
        return dict.fromkeys(self.for_conditions, self.strength) | dict.fromkeys(self.against_conditions, -self.strength)


@dataclass(frozen=True, slots=True)
class Advice:
    """What an answer asks to be done. stop: the part is not to be run before that."""

    position: str
    text: str
    stop: bool


def check_answer(question: Question, answer: str) -> str:
    """Give the answer as it is kept. Raises UsageError when the question does not allow it."""
    reader: dict[str, Callable[[str], object]] = {
        "no-load-current": read_current,
        "case-temperature": read_temperature,
        "phase-resistance": read_resistance,
    }
    if question.choices:
        return question.choice(answer).word
    reader[question.id](answer)
    return " ".join(answer.split())


def answers_as_evidence(inspection: Inspection) -> tuple[InspectionEvidence, ...]:
    """Give what the answers speak for and against, in the order given; an answer that says nothing of a condition gives none.

    Bench readings are compared with those of the other motors of the same check. Raises UsageError for an answer that is not allowed.
    """
    return tuple(evidence for answer in inspection.answers for evidence in _evidence(answer, inspection))


def advice_from(inspection: Inspection, folding: tuple[str, ...] = ()) -> tuple[Advice, ...]:
    """Give what to do, each advice once a position, what must not be run first. folding: positions of folding propellers."""
    found: dict[tuple[str, str], Advice] = {}
    for answer in inspection.answers:
        for text, stop in _asked_of(answer):
            words = REPLACE_FOLDING if text == REPLACE and answer.position in folding else text
            before = found.get((answer.position, words))
            found[answer.position, words] = Advice(answer.position, words, stop or (before is not None and before.stop))
    return tuple(sorted(found.values(), key=lambda advice: not advice.stop))


def _asked_of(answer: GivenAnswer) -> Iterator[tuple[str, bool]]:
    question = question_of(answer.question)
    if question.choices:
        choice = question.choice(answer.answer)
        if choice.advice:
            yield choice.advice, choice.stop
    elif question.id == "case-temperature" and read_temperature(answer.answer).case_c >= BURNS_C:
        yield f"At {BURNS_C:g} C and more bare metal burns the skin within seconds: let it cool, then find out why it was hot.", False


def _evidence(answer: GivenAnswer, inspection: Inspection) -> Iterator[InspectionEvidence]:
    question = question_of(answer.question)
    if question.choices:
        choice = question.choice(answer.answer)
        if choice.strength:
            made = _made(answer, choice.text, choice.speaks_for, choice.speaks_against, choice.strength)
            yield replace(made, decides=choice.stop and bool(choice.speaks_for))
    elif question.id == "no-load-current":
        yield from _drag(answer, read_current(answer.answer), _others(answer, inspection, read_current))
    elif question.id == "case-temperature":
        yield from _heat(answer, read_temperature(answer.answer), _others(answer, inspection, read_temperature))
    elif question.id == "phase-resistance":
        yield from _winding(answer)


def _drag(answer: GivenAnswer, this: Current, others: list[Current]) -> Iterator[InspectionEvidence]:
    compared = current_against(this, others)
    if compared:
        ratio, weight = compared
        text = f"draws {this.ampere:.3g} A bare at {this.rpm:.0f} rpm, {ratio:.2f} times the median of the others"
        yield _weighed(answer, text, DRAG, weight, STRONG)


def _heat(answer: GivenAnswer, this: Temperature, others: list[Temperature]) -> Iterator[InspectionEvidence]:
    compared = warmth_against(this, others)
    if compared:
        ratio, weight = compared
        text = f"case at {this.case_c:g} C after the same run, a rise above air {ratio:.2f} times the median of the others"
        yield _weighed(answer, text, DRAG, weight, CLEAR)


def _winding(answer: GivenAnswer) -> Iterator[InspectionEvidence]:
    this = read_resistance(answer.answer)
    meter = f"meter taken as good to {METER_U95:.0%}, since none was stated" if this.u95 is None else f"each +- {this.u95:.3g} ohm"
    yield _weighed(answer, f"phase-to-phase resistances differ by {this.spread:.1%} ({meter})", ("electrical",), uneven(this), STRONG)


def _weighed(answer: GivenAnswer, text: str, conditions: tuple[str, ...], weight: float, most: float) -> InspectionEvidence:
    """Evidence of a measured weight: at most `most` for the conditions, and at most weak against them, since much hurt does not show so."""
    if weight >= 0:
        return _made(answer, text, conditions, (), min(weight, most))
    return _made(answer, text, (), conditions, min(-weight, WEAK))


def _made(answer: GivenAnswer, text: str, supports: tuple[str, ...], opposes: tuple[str, ...], strength: float) -> InspectionEvidence:
    words = f"{text}: {answer.note}" if answer.note else text
    return InspectionEvidence(answer.position, answer.question, answer.answer, words, supports, opposes, strength)


def _others(answer: GivenAnswer, inspection: Inspection, read: Callable[[str], T]) -> list[T]:
    same = [other for other in inspection.answers if other.question == answer.question and other.position != answer.position]
    return [read(other.answer) for other in same]
