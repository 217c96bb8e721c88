"""Answers of an eye-and-hand check from a TOML file, for those who do not want to be asked.

Questions of the whole craft stand at the top, those of a rotor in a table under its position: `prop-edge = "nicked"`, or with more,
`prop-edge = { answer = "nicked", note = "3 mm from the tip", photos = ["tip.jpg"] }`. `date` may say when it was done.
"""

import tomllib
from datetime import UTC, date, datetime, time
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from vibekit.craft import Craft
from vibekit.craft_file import read_text
from vibekit.errors import UnreadableError, UsageError
from vibekit.filestore import hash_of
from vibekit.inspection import GivenAnswer, Inspection, Photo
from vibekit.inspection_evidence import check_answer
from vibekit.questions import QUESTIONS, Question, question_of


def load_answers(path: str | Path, craft: Craft) -> Inspection:
    """Read the answers of a check. Without a date it is dated now.

    Raises UnreadableError when file or photo cannot be read, UsageError when position, question or answer is not allowed.
    """
    try:
        tree = tomllib.loads(read_text(path))
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UnreadableError(f"{path}: no TOML: {' '.join(str(error).split())}") from None
    try:
        at = _moment(tree.pop("date", None))
        whole = {key: value for key, value in tree.items() if not isinstance(value, dict) or "answer" in value}
        given = [_answer("", key, value, Path(path).parent) for key, value in whole.items()]
        for position, answers in tree.items():
            if position not in whole:
                craft.rotor(position)
                given += [_answer(position, key, value, Path(path).parent) for key, value in answers.items()]
    except (UsageError, UnreadableError) as error:
        raise type(error)(f"{path}: {error}") from None
    return Inspection(craft.name or "", at, tuple(given))


def photo_at(path: Path) -> Photo:
    """Give a photo with the hash of its bytes. Raises UnreadableError."""
    return Photo(str(path.absolute()), hash_of(path))


def _answer(position: str, id: str, value: Any, folder: Path) -> GivenAnswer:
    question = _question(id, position)
    entry = value if isinstance(value, dict) else {"answer": value}
    note, photos = entry.get("note", ""), entry.get("photos", [])
    if entry.keys() - {"answer", "note", "photos"} or not isinstance(note, str) or not _are_texts(photos):
        raise UsageError(f"{id} is {value!r}; write a text, or {{ answer = text, note = text, photos = [paths] }}")
    answer = entry.get("answer")
    if not isinstance(answer, str):
        raise UsageError(f"{id} is {answer!r}; its answer must be a text")
    return GivenAnswer(position, id, check_answer(question, answer), note, tuple(photo_at(folder / photo) for photo in photos))


def _question(id: str, position: str) -> Question:
    known = [q.id for q in QUESTIONS if (q.subject == "craft") == (position == "")]
    if id not in known:
        near = get_close_matches(id, known, 1, 0.5)
        where = f"of position {position!r}" if position else "of the whole craft"
        raise UsageError(f"{id!r} is no question {where}; " + (f"did you mean {near[0]!r}?" if near else f"known are {', '.join(known)}"))
    return question_of(id)


def _are_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _moment(value: object) -> datetime:
    if value is None:
        return datetime.now(UTC)
    if isinstance(value, datetime):
        return value.astimezone(UTC)
    if isinstance(value, date):
        return datetime.combine(value, time(12)).astimezone(UTC)
    raise UsageError(f"date is {value!r}; write it bare, such as date = 2026-03-01 or 2026-03-01T14:30:00+01:00")
