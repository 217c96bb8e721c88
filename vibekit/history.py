"""One quantity of one motor against time: brought to one speed, with its sound middle and the limits of what repeating alone does."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from vibekit.change import BROADBAND, FAR, in_db, parts_of, per_decade
from vibekit.kept import KeptReading, PartAction
from vibekit.observation import CHANGE_EDGES, WORDS
from vibekit.reading import Reading
from vibekit.repeatability import load_repeatability
from vibekit.settings import Test

Array = npt.NDArray[np.float64]
WATCH, ACT = CHANGE_EDGES[2], CHANGE_EDGES[4]  # standard deviations of repeating from which a rise is called slight, and strong
FIRST = ("1x", "blade pass", "roughness", "half orders")


@dataclass(frozen=True, slots=True)
class History:
    """A quantity against time.

    moments: (n,); values, u95: (n,) in `unit`, brought to speed_rpm where that is known
    middle: of the sound past, None without one; watch, act: from where a rise is beyond what repeating does, None without a middle
    words: what was done to the numbers, one or two sentences
    """

    name: str
    unit: str
    moments: tuple[datetime, ...]
    values: Array
    u95: Array
    speed_rpm: float | None
    middle: float | None
    watch: float | None
    act: float | None
    words: str


def comparable_kinds(kept: Sequence[KeptReading]) -> list[tuple[Test | None, str]]:
    """Give (test, set-up) of readings whose levels may stand in one history, the most frequent first."""
    kinds = [(k.settings.test, k.setup) for k in kept if k.reading.screening.usable]
    return sorted(dict.fromkeys(kinds), key=lambda kind: -kinds.count(kind))


def measured_names(kept: Sequence[KeptReading]) -> list[str]:
    """Give the quantities that have been measured, those that are looked at first in front; octaves count to wash and roughness."""
    measured = {q.name: None for k in kept for q in k.reading.quantities}
    known = [name for name in WORDS if name in measured or (name in BROADBAND and any(parts_of(k.reading, name) for k in kept))]
    rest = [name for name in measured if name not in WORDS and not name.startswith("octave ")]
    return sorted([*known, *rest], key=lambda name: FIRST.index(name) if name in FIRST else len(FIRST))


def history_of(kept: Sequence[KeptReading], past: Sequence[KeptReading], actions: Sequence[PartAction], name: str) -> History:
    """Gather a quantity over readings of one test and set-up, oldest first. past: those of them that count as its sound past.

    Levels are brought to the speed of the newest reading by how the quantity grows with speed (see vibekit.change); readings farther
    away in speed than levels may be compared over, and those whose gain moved, are left out. The limits stand WATCH and ACT standard
    deviations of repeating above the middle of the past, with the error of that middle.
    """
    found = [(k, *value) for k in kept if (value := _value(k.reading, name)) is not None]
    speed = next((k.reading.speed.rpm for k, *_ in reversed(found) if k.reading.speed.rpm), None)
    fit = [
        (k, value - _by_speed(name, k.reading, speed), u95)
        for k, value, u95, _ in found
        if k.reading.screening.levels_comparable and _near(k.reading, speed)
    ]
    unit = found[0][3] if found else "dB"
    values, u95 = (np.array([row[i] for row in fit], dtype=np.float64) for i in (1, 2))
    ids = {k.id for k in past}
    sound = values[[k.id in ids for k, *_ in fit]] if fit else values
    middle = float(np.mean(sound)) if sound.size else None
    watch = act = None
    if middle is not None and unit == "dB" and fit:
        settings = fit[-1][0].settings
        deviation = load_repeatability().of(name, settings.test, settings.sensor).deviation * math.sqrt(1 + 1 / sound.size)
        watch, act = middle + in_db(name, WATCH * deviation), middle + in_db(name, ACT * deviation)
    return History(
        name,
        unit,
        tuple(k.when for k, *_ in fit),
        values,
        u95,
        speed,
        middle,
        watch,
        act,
        _words(name, speed, len(found), len(fit), sound.size),
    )


def _value(reading: Reading, name: str) -> tuple[float, float, str] | None:
    parts = list(parts_of(reading, name).values())
    if not parts:
        return None
    u95 = math.sqrt(sum(q.u95**2 for q in parts)) / len(parts)
    return sum(q.value for q in parts) / len(parts), u95, parts[0].unit


def _by_speed(name: str, reading: Reading, speed: float | None) -> float:
    rpm = reading.speed.rpm
    return per_decade(name) * math.log10(rpm / speed) if rpm and speed else 0.0


def _near(reading: Reading, speed: float | None) -> bool:
    rpm = reading.speed.rpm
    return not speed or (rpm is not None and abs(math.log(rpm / speed)) <= FAR)


def _words(name: str, speed: float | None, found: int, fit: int, sound: int) -> str:
    told = []
    if speed and per_decade(name):
        told.append(f"Levels are brought to {speed:.0f} rpm.")
    if found > fit:
        told.append(f"{found - fit} of {found} readings are left out: another speed, or a gain that moved.")
    if sound:
        told.append(f"Limits: what repeating a measurement does about the middle of {sound} sound reading{'s' * (sound > 1)}.")
    else:
        told.append("No sound past to draw limits from yet.")
    return " ".join(told)
