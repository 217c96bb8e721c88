"""One eye-and-hand check: what was asked and what was answered."""

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo: where it was when it was attached, and the SHA-256 of its bytes."""

    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class GivenAnswer:
    """One answer. position: the rotor's, "" for a question of the whole craft; question: its id; answer: a word or a typed measurement."""

    position: str
    question: str
    answer: str
    note: str = ""
    photos: tuple[Photo, ...] = ()


@dataclass(frozen=True, slots=True)
class Inspection:
    """All answers of one check of one craft, in the order given. Questions that were skipped have none."""

    craft: str
    at: datetime
    answers: tuple[GivenAnswer, ...] = ()
