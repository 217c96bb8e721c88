"""A motor's own past: each quantity against time since its part was last changed, with its trend, its alarm limits and its alarms."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from vibekit.change import BROADBAND, parts_of, per_decade
from vibekit.control_chart import Chart, chart, limit_for
from vibekit.course import Course, course_of, decades, near, pace
from vibekit.decibel import NEPER_DB
from vibekit.kept import KeptReading, PartAction
from vibekit.line_groups import LINES
from vibekit.normal import Z95
from vibekit.observation import CHANGE_EDGES, WORDS
from vibekit.quantity_list import readable
from vibekit.settings import Test
from vibekit.trend import Trend, trend_of

Array = npt.NDArray[np.float64]
WATCH = CHANGE_EDGES[2]  # standard deviations of repeating from which a rise is called slight
FALSE_ALARMS = 1e-3  # a year, of all quantities of one motor under one test in one set-up together
ASSUMED_PACE = 52.0  # sittings a year where the dates do not tell
PACE_SITTINGS, PACE_SPAN = 3, timedelta(days=14)  # from so many over so long they do
YEAR = timedelta(days=365.25)
FIRST = ("1x", "blade pass", "roughness", "half orders")


@dataclass(frozen=True, slots=True)
class Alarm:
    """A quantity that has risen. since: the sitting with which the climb began; at: the one at which it became an alarm."""

    name: str
    since: datetime
    at: datetime


@dataclass(frozen=True, slots=True)
class OwnPast:
    """The past of one motor under one test in one set-up, since its part was last changed.

    pace: sittings a year; pace_known: it follows from the dates; chart: of the course's quantities
    scores: {name: (n,) sum of the evidence for pulses of a bearing}, an alarm from `score_limit`
    trends: {name: Trend}
    """

    setup: str
    course: Course
    chart: Chart
    pace: float
    pace_known: bool
    scores: dict[str, Array]
    score_limit: float
    trends: dict[str, Trend]

    @property
    def test(self) -> Test | None:
        """How the motor was turned."""
        return self.course.settings.test

    def level_u95(self, q: int) -> float:
        """Half width of the 95 % interval of the newest level of a quantity from its measurement, dB."""
        return Z95 * float(np.sqrt(self.course.noise[-1, q])) * (NEPER_DB / self.course.values[-1, q] if self.course.relative[q] else 1.0)

    def alarm_decibels(self, q: int) -> float:
        """Level from which the next sitting and one more like it raise the alarm, dB; NaN where none does."""
        level = float(self.chart.alarm_levels[-1, q])
        return 20 * math.log10(level) if self.course.relative[q] and level > 0 else level

    @property
    def alarms(self) -> tuple[Alarm, ...]:
        """The alarms that stand now."""
        moments, high = self.course.moments, self.chart.heights[-1] >= self.chart.limit
        found = [
            Alarm(name, moments[self.chart.began[q]], moments[self.chart.alarm[q]]) for q, name in enumerate(self.course.names) if high[q]
        ]
        for name, sums in self.scores.items():
            if sums[-1] >= self.score_limit:
                zero = np.flatnonzero(sums == 0)
                over = np.flatnonzero(sums >= self.score_limit)
                found.append(Alarm(name, moments[zero[-1] + 1 if zero.size else 0], moments[over[0]]))
        return tuple(found)


@dataclass(frozen=True, slots=True)
class History:
    """A quantity against time.

    moments: (n,); values, u95: (n,) in `unit`, brought to speed_rpm where that is known; u95 infinite where a value is an upper limit
    middle: of the sound past, None without one; watch: from where a rise is beyond what repeating does; act: where the next sitting and
    one more like it raise the alarm; None without a middle, or where so short a past lets no level stand out
    limits: (m,) moment of each sitting since the part was changed, and the level that, met twice, would have raised the alarm, NaN
    where none would; trend: since then; alarm: the alarm that stands
    words: what was done to the numbers, and what the limits mean
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
    limits: tuple[tuple[datetime, float], ...] = ()
    trend: Trend | None = None
    alarm: Alarm | None = None


def comparable_kinds(kept: Sequence[KeptReading]) -> list[tuple[Test | None, str]]:
    """Give (test, set-up) of readings whose levels may stand in one history, the most frequent first."""
    kinds = [(k.settings.test, k.setup) for k in kept if k.reading.screening.usable]
    return sorted(dict.fromkeys(kinds), key=lambda kind: -kinds.count(kind))


def measured_names(kept: Sequence[KeptReading]) -> list[str]:
    """Give the quantities that have been measured, those that are looked at first in front; octaves count to wash and roughness."""
    measured = {q.name: None for k in kept for q in k.reading.quantities}
    known = [name for name in WORDS if name in measured or (name in BROADBAND and any(parts_of(k.reading, name) for k in kept))]
    rest = [name for name in readable(measured) if name not in WORDS and not name.startswith("octave ")]
    return sorted([*known, *rest], key=lambda name: FIRST.index(name) if name in FIRST else len(FIRST))


def own_pasts(kept: Sequence[KeptReading], past: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[OwnPast, ...]:
    """Chart each test and set-up of one motor, the most frequent first. past: the readings that count as sound."""
    found = []
    for test, setup in comparable_kinds(kept):
        one = _own_past([k for k in kept if (k.settings.test, k.setup) == (test, setup)], past, actions)
        found += [one] if one else []
    return tuple(found)


def _own_past(
    kept: Sequence[KeptReading], past: Sequence[KeptReading], actions: Sequence[PartAction], more: Sequence[str] = ()
) -> OwnPast | None:
    course = course_of(kept, actions, past, more)
    if course is None:
        return None
    moments = course.moments
    known = len(moments) >= PACE_SITTINGS and moments[-1] - moments[0] >= PACE_SPAN
    pace = (len(moments) - 1) / ((moments[-1] - moments[0]) / YEAR) if known else ASSUMED_PACE
    between = pace / FALSE_ALARMS * max(len(course.names) + len(course.scores), 1)
    drawn = chart(
        course.values, course.noise, course.deviation, course.worth, course.relative, limit_for(between), course.sound, course.restarts
    )
    return OwnPast(
        kept[0].setup,
        course,
        drawn,
        pace,
        known,
        {name: _sums(each, course.restarts) for name, each in course.scores.items()},
        float(np.log10(between)),
        {name: found for q, name in enumerate(course.names) if (found := _trend(course, q)) is not None},
    )


def _sums(scores: Array, restarts: npt.NDArray[np.bool_]) -> Array:
    """Cusum of log10 of e-values: it passes log10 of n at most once in n on average (Lorden, Ann. Math. Statist. 42 (1971) 1897-1908).

    What the sittings before show on average is taken off: a motor that always showed as much has not changed, and less is no more often.
    """
    sums, at = np.zeros(scores.size), 0.0
    for i, score in enumerate(scores[1:], 1):
        at = max((0.0 if restarts[i] else at) + float(score) - max(float(scores[:i].mean()), 0.0), 0.0)
        sums[i] = at
    return sums


def _trend(course: Course, q: int) -> Trend | None:
    scale = NEPER_DB if course.relative[q] else 1.0
    size = course.values[:, q] if course.relative[q] else np.ones(len(course.visits))
    noise = float(np.mean((scale / size) ** 2 * course.noise[:, q]))
    return trend_of(course.moments, course.decibels[:, q], scale * float(course.deviation[q]), float(course.worth[q]), noise)


def history_of(kept: Sequence[KeptReading], past: Sequence[KeptReading], actions: Sequence[PartAction], name: str) -> History:
    """Gather a quantity over readings of one test and set-up, oldest first. past: those of them that count as its sound past.

    Levels are brought to the speed of the newest reading by how the quantity grows with speed (see vibekit.change); readings farther
    away in speed than levels may be compared over, and those whose gain moved, are left out. The limits are those of the control chart.
    """
    found = [(k, *value) for k in kept if (value := _value(k, name)) is not None]
    speed = next((rpm for k, *_ in reversed(found) if (rpm := pace(k.reading))), None)
    fit = [
        (k, value - per_decade(name) * decades(k.reading, speed), u95)
        for k, value, u95, _ in found
        if k.reading.screening.levels_comparable and near(k.reading, speed)
    ]
    values, u95 = (np.array([row[i] for row in fit], dtype=np.float64) for i in (1, 2))
    ids = {k.id for k in past}
    sound = values[[k.id in ids for k, *_ in fit]] if fit else values
    own = _own_past(kept, past, actions, (name,)) if fit else None
    drawn = own if own and name in own.course.names and sound.size else None
    middle = float(sound.mean()) if sound.size else None
    watch, acts = _levels(drawn, name, middle) if drawn and middle is not None else (None, ())
    return History(
        name,
        found[0][3] if found else "dB",
        tuple(k.when for k, *_ in fit),
        values,
        u95,
        speed,
        middle,
        watch,
        acts[-1] if acts and np.isfinite(acts[-1]) else None,
        _words(name, speed, len(found), len(fit), sound.size, own),
        tuple(zip(drawn.course.moments, acts, strict=False)) if drawn else (),
        own.trends.get(name) if own else None,
        next((alarm for alarm in own.alarms if alarm.name == name), None) if own else None,
    )


def _levels(own: OwnPast, name: str, middle: float) -> tuple[float | None, tuple[float, ...]]:
    """(watch, alarm levels before each sitting and the next) of one quantity in dB, drawn about `middle`."""
    q = own.course.names.index(name)

    def above(level: Array, mean: Array) -> Array:
        with np.errstate(invalid="ignore", divide="ignore"):
            return middle + (20 * np.log10(level / mean) if name in LINES else level - mean)

    last = own.chart.baselines[-1]
    watch = float(above(last.level(np.full(last.mean.shape, WATCH)), last.mean)[q])
    means = np.array([baseline.mean[q] for baseline in own.chart.baselines])
    return watch if np.isfinite(watch) else None, tuple(above(own.chart.alarm_levels[:, q], means).tolist())


def _value(kept: KeptReading, name: str) -> tuple[float, float, str] | None:
    parts = list(parts_of(kept.reading, name).values())
    if not parts:
        return None
    u95 = float(np.linalg.norm([q.u95 for q in parts])) / len(parts)
    return sum(q.value for q in parts) / len(parts), u95, parts[0].unit


def _words(name: str, speed: float | None, found: int, fit: int, sound: int, own: OwnPast | None) -> str:
    told = []
    if speed and per_decade(name):
        told.append(f"Levels are brought to {speed:.0f} rpm.")
    if found > fit:
        told.append(f"{found - fit} of {found} readings are left out: another speed, or a gain that moved.")
    if not sound or own is None:
        return " ".join([*told, "No sound past to draw limits from yet."])
    return " ".join([*told, f"The alarm wants two sittings at its limit. {alarm_words(own)}"])


def alarm_words(own: OwnPast) -> str:
    """Say how often a healthy motor raises a false alarm."""
    pace = f"{own.pace:.0f} sittings a year" if own.pace_known else f"{own.pace:.0f} sittings a year, which is assumed: too few dates tell"
    engines = f" Readings were made by versions {', '.join(own.course.engines)} of the kit." if len(own.course.engines) > 1 else ""
    return f"False alarms: one in {1 / FALSE_ALARMS:.0f} years of this motor under this test, at {pace}.{engines}"
