"""Takes that wait in the folder of recordings: being recorded, cut off, or finished and not in the archive."""

import contextlib
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Literal

from vibekit.capture.journal import journals, look, unfinished
from vibekit.capture.take_file import read_account

State = Literal["being recorded", "cut off", "not in the archive"]


@dataclass(frozen=True, slots=True)
class Waiting:
    """One of them. path: its journal or its sound file; about: what it is a take of; seconds: that there are of it."""

    path: Path
    state: State
    about: dict[str, str]
    started: datetime
    seconds: float


def waiting(folder: Path) -> list[Waiting]:
    """Give them, oldest first."""
    cut_off = {each.path for each in unfinished(folder)}
    found = []
    for path in journals(folder):
        with contextlib.suppress(OSError):  # it was finished meanwhile
            if each := look(path):
                state: State = "cut off" if path in cut_off else "being recorded"
                found.append(Waiting(path, state, each.about, each.started, each.seconds))
    for path in (*folder.glob("*.flac"), *folder.glob("*.wav")):
        with contextlib.suppress(OSError):
            if account := read_account(path):
                seconds = account.frames / account.rate_hz
                found.append(Waiting(path, "not in the archive", dict(account.about), account.started, seconds))
    return sorted(found, key=lambda each: each.started)
