"""What the time column of a log means: its unit, and the date and time at which it starts."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

import numpy as np
import numpy.typing as npt

from vibekit.errors import UnreadableError

Array = npt.NDArray[np.float64]

TIME_UNITS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
SLOWEST_HZ = 10.0  # where nothing else tells the unit, it is the longest one that gives at least this rate
EPOCH_S = (6.3e8, 4.2e9)  # 1990 to 2103, seconds since 1970
LARGEST_S = 1e11  # 3 000 years; no clock counts further

STAMP = re.compile(r"\d{4}[-/.]\d\d?[-/.]\d\d?([T ]\d|$)|\d\d?\.\d\d?\.\d{4}([T ,]|$)|\d\d?:\d\d", re.ASCII)
_ISO = re.compile(r"(?P<day>(19|20)\d\d-\d\d-\d\d)[T ]\d\d:\d\d:\d\d(\.\d{1,9})?(?P<zone>Z|[+-]\d\d:?\d\d)?", re.ASCII)
_DATED = re.compile(
    r"(?:(?:(?P<y>(?:19|20)\d\d)[-/.](?P<m>\d\d?)[-/.](?P<d>\d\d?)|(?P<d2>\d\d?)\.(?P<m2>\d\d?)\.(?P<y2>(?:19|20)\d\d))[T ,]*)?"
    r"(?P<hour>[0-2]?\d):(?P<minute>\d\d)(?::(?P<second>\d\d?)(?:[.,:](?P<part>\d+))?)? ?(?P<zone>Z|UTC|GMT|[+-]\d\d:?\d\d)?",
    re.ASCII,
)


@dataclass(frozen=True, slots=True)
class Clock:
    """Time stamps in seconds.

    stamp_s: (n,) as written where the log counts time, since `start` where it tells the time of day
    start: date and time of the first stamp when the log says them, with its zone when it says that
    log: how they were understood; scale_s: seconds of 1 as written
    """

    stamp_s: Array
    start: datetime | None
    log: tuple[str, ...]
    scale_s: float = 1.0


def read_numbers(values: Array, interval: float, unit: str | None = None, stated_by: str = "") -> Clock:
    """Stamps that are numbers, (n,), with their typical interval in their own unit.

    unit: one of TIME_UNITS, or None to tell it from the size of the stamps (time since 1970) or from a rate that makes sense.

    Raises UnreadableError for stamps no clock gives.
    """
    first = float(values[0])
    since_1970 = next((u for u, scale in TIME_UNITS.items() if EPOCH_S[0] <= first * scale <= EPOCH_S[1] and unit in (u, None)), None)
    if since_1970 and (unit or interval * TIME_UNITS[since_1970] < 1 / SLOWEST_HZ):
        scale = TIME_UNITS[since_1970]
        start = datetime.fromtimestamp(first * scale, UTC)
        line = f"time stamps are {since_1970} since 1970: the log starts {start.isoformat(' ', 'milliseconds')}"
        return Clock(_in_range(values - first, scale), start, (line,), scale)
    if unit:
        return Clock(_in_range(values, TIME_UNITS[unit]), None, (f"time stamps are in {unit} ({stated_by})",), TIME_UNITS[unit])
    unit = next((u for u, scale in TIME_UNITS.items() if interval * scale <= 1 / SLOWEST_HZ), "ns")
    line = f"time stamps taken as {unit}, which gives {1 / (interval * TIME_UNITS[unit]):.4g} Hz; state the time unit if that is wrong"
    return Clock(_in_range(values, TIME_UNITS[unit]), None, (line,), TIME_UNITS[unit])


def _in_range(values: Array, scale: float) -> Array:
    far = np.flatnonzero(np.abs(values) > LARGEST_S / scale)
    if far.size:
        raise UnreadableError(f"time stamp {values[far[0]]:g} is out of range")
    return values * scale


def read_dates(cells: Sequence[str]) -> Clock:
    """Stamps that are dates with times (ISO 8601, or day.month.year) or times of day.

    Raises UnreadableError naming the first that is neither.
    """
    seconds, origin = _iso(cells) or _any_date(cells)
    if origin is None:
        return Clock(seconds - seconds[0], None, ("time stamps are times of day",))
    start = origin + timedelta(seconds=float(seconds[0]))
    return Clock(seconds - seconds[0], start, (f"time stamps are dates and times: the log starts {start.isoformat(' ', 'milliseconds')}",))


def _iso(cells: Sequence[str]) -> tuple[Array, datetime | None] | None:
    """Seconds and the date they count from, all at once; None when the cells are not ISO 8601 of one zone."""
    forms = [_ISO.fullmatch(cell) for cell in cells]
    first = forms[0]
    if first is None or any(form is None or form["zone"] != first["zone"] for form in forms):
        return None
    day, zone = first["day"], first["zone"] or ""
    try:
        stamps = np.array([cell[: len(cell) - len(zone)] for cell in cells], dtype="datetime64[us]")
        origin = datetime.fromisoformat(day).replace(tzinfo=_zone(zone) if zone else None)
    except ValueError:
        return None
    return (stamps - np.datetime64(day, "us")).astype(np.float64) * 1e-6, origin


def _any_date(cells: Sequence[str]) -> tuple[Array, datetime | None]:
    """The same, one by one."""
    seconds = np.empty(len(cells))
    origin: datetime | None = None
    days, before = 0, -np.inf
    known: dict[str, tuple[datetime | None, float]] = {}  # of all but minutes and seconds, which change with the rows
    for i, cell in enumerate(cells):
        found = _DATED.fullmatch(cell)
        if not found:
            raise UnreadableError(f"time stamp {i + 1}, {cell[:40]!r}, is no date and time like 2026-05-01T10:00:00.125")
        head = cell[: found.start("minute")] + (found["zone"] or "")
        if head not in known:
            known[head] = _hour(found, cell, i)
        day, at = known[head]
        at += 60 * int(found["minute"]) + int(found["second"] or 0) + float(f"0.{found['part'] or 0}")
        if i == 0:
            origin = day
        if (day is None or day.tzinfo is None, day is None) != (origin is None or origin.tzinfo is None, origin is None):
            raise UnreadableError(f"time stamp {i + 1}, {cell[:40]!r}, has not the form of the first, {cells[0][:40]!r}")
        if day is not None and origin is not None:
            seconds[i] = at + (day - origin).total_seconds()
            continue
        days += at + 86400 * days < before - 43200  # midnight passed
        before = seconds[i] = at + 86400 * days
    return seconds, origin


def _hour(found: re.Match[str], cell: str, row: int) -> tuple[datetime | None, float]:
    """Midnight of the stamp's day (None without a date) and the seconds to its hour."""
    hour_s = 3600.0 * int(found["hour"])
    year, month, day = (found[k] or found[k + "2"] for k in "ymd")
    if year is None:
        return None, hour_s
    zone = found["zone"]
    try:
        return datetime(int(year), int(month), int(day), tzinfo=None if zone is None else _zone(zone)), hour_s
    except ValueError as error:
        raise UnreadableError(f"time stamp {row + 1}, {cell[:40]!r}, is no date: {error}") from None


def _zone(text: str) -> timezone:
    if not text[-1].isdigit():
        return UTC
    minutes = 60 * int(text[1:3]) + int(text[-2:])
    return timezone(timedelta(minutes=-minutes if text[0] == "-" else minutes))
