"""Logs of time and axes as text (CSV, TSV, TXT)."""

import re
from collections.abc import Sequence
from dataclasses import replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt

from vibekit.capture.channels import assign_roles
from vibekit.capture.clock import STAMP, TIME_UNITS, Clock, read_dates, read_numbers
from vibekit.capture.columns import Column, describe
from vibekit.capture.grid import even_grid
from vibekit.capture.table import Cells, Table, is_number, read_cells, read_table
from vibekit.capture.timestamps import time_line, typical_interval
from vibekit.errors import UnreadableError, UsageError, check_choice
from vibekit.recording import Channel, Recording, Role, Source, Taken

Array = npt.NDArray[np.float64]

LARGEST = 1e30  # no measurement is larger, and its square can still be computed
SLOWEST_HZ, FASTEST_HZ = 0.1, 1e7
ENOUGH = 1000  # rows looked at to see whether a column rises
_RATE = re.compile(r"(?:sampl\w*[ _-]*(?:rate|freq\w*)|\bfs|\bodr|data rate)[^\d\n]{0,20}(\d+(?:[.,]\d+)?)\s*(k?)hz", re.IGNORECASE)


def read_log(
    content: bytes,
    *,
    roles: Sequence[str] | None = None,
    columns: Sequence[str] | None = None,
    time_unit: str | None = None,
    rate_hz: float | None = None,
) -> Recording:
    """Read a log from the bytes of its file, float64 (channels, n); arguments as in `read_recording`.

    Raises UnreadableError when there are no rows, no axes or no rate in it, UsageError when what is asked for is not there.
    """
    if time_unit is not None:
        check_choice("time unit", time_unit, TIME_UNITS)
    table = read_table(content)
    described = _describe(table)
    clock = _clock_columns(table, described)
    wanted = _found(described) if columns is None else _asked(described, columns)
    kept = assign_roles([_channel(described[i]) for i in wanted], roles)
    axes, channels = [wanted[i] for i, _ in kept], tuple(channel for _, channel in kept)
    log = [*table.log, *_left_out(described, axes, clock)]
    log += [f"column {c.name} converted from {c.written_in} to {c.unit}" for i in axes if (c := described[i]).scale != 1]
    dated = any(STAMP.match(table.first[i]) for i in clock)
    cells = read_cells(table, axes, () if dated else clock, clock if dated else ())
    samples = np.ascontiguousarray(cells.numbers[: len(axes)])
    for row, i in zip(samples, axes, strict=True):
        _check(row, described[i], cells)
        row *= described[i].scale
    log += cells.log
    if not clock:
        rate, line = _stated_rate(table, rate_hz)
        return Recording(samples, rate, channels, Source(encoding="text"), log=(*log, line))
    if rate_hz is not None:
        raise UsageError(f"rate {rate_hz:g} Hz is given, but column {described[clock[0]].name} tells the time; leave the rate out")
    if dated and time_unit is not None:
        raise UsageError(f"time unit {time_unit} is given, but column {described[clock[0]].name} holds dates or times of day; leave it out")
    if dated:
        time = read_dates([" ".join(parts) for parts in zip(*cells.words, strict=True)])
    else:
        time = _counted(cells.numbers[-1], described[clock[0]], time_unit)
    return _timed(samples, channels, time, _resolution(table, clock[-1]) * time.scale_s, log)


def _describe(table: Table) -> list[Column]:
    """What each column holds, by its name, or by its place and numbers where there are no names."""
    described = [describe(name) if table.has_header else Column(name, "unknown") for name in table.names]
    for i, cell in enumerate(table.first[: len(described)]):
        if STAMP.match(cell):
            described[i] = replace(described[i], kind="time")
        elif cell and not is_number(cell):
            described[i] = replace(described[i], kind="other", what="text")
    if any(column.kind == "time" for column in described) or described[0].kind != "unknown" or len(described) < 2:
        return described
    head = replace(table, lines=table.lines[:ENOUGH])
    rise = np.diff(read_cells(head, [0], []).numbers[0])
    if rise.size > 1 and np.mean(rise >= 0) > 0.9 and np.any(rise > 0):
        described[0] = Column(described[0].name, "index", what="counts rows") if np.all(rise == 1) else Column(described[0].name, "time")
    return described


def _clock_columns(table: Table, described: Sequence[Column]) -> list[int]:
    """Index of the column that tells the time, of two when date and time of day stand apart; none when there is none."""
    times = [i for i, column in enumerate(described[: len(table.first)]) if column.kind == "time"]
    dates = [i for i in times if STAMP.match(table.first[i]) and ":" not in table.first[i]]
    rest = [i for i in times if i not in dates]
    if dates and rest and re.match(r"\d\d?:", table.first[rest[0]]):
        return [dates[0], rest[0]]
    return rest[:1]


def _channel(column: Column) -> Channel:
    role: Role = column.kind if column.kind in ("tacho", "telemetry") else "vibration"
    return Channel(role, column.unit, column.name)


def _found(described: Sequence[Column]) -> list[int]:
    """Columns to read when none are asked for: those known by name; when no vibration is, the numbers of no known name too."""
    kinds = ("vibration", "tacho", "telemetry")
    if not any(column.kind == "vibration" for column in described):
        kinds = (*kinds, "unknown")  # type: ignore[assignment]
    found = [i for i, column in enumerate(described) if column.kind in kinds]
    if not found:
        names = ", ".join(column.name for column in described)
        raise UnreadableError(f"none of its columns ({names}) is vibration, sound or shaft speed; name the ones to use")
    return found


def _asked(described: Sequence[Column], columns: Sequence[str]) -> list[int]:
    """Index of each column asked for, by name or by number from 1."""
    names = [column.name.casefold() for column in described]
    found = []
    for column in columns:
        sought = column.strip().casefold()
        if sought in names:
            found.append(names.index(sought))
        elif sought.isdecimal() and 1 <= int(sought) <= len(names):
            found.append(int(sought) - 1)
        else:
            raise UsageError(f"column {column!r} is not there; the file has {', '.join(c.name for c in described)}")
    if not found or len(set(found)) < len(found):
        raise UsageError(f"columns are {', '.join(columns) or 'none'}; name each column to use once")
    return found


def _left_out(described: Sequence[Column], axes: Sequence[int], clock: Sequence[int]) -> list[str]:
    out = [column.name + (f" ({column.what})" if column.what else "") for i, column in enumerate(described) if i not in (*axes, *clock)]
    return [f"columns left out: {', '.join(out)}"] if out else []


def _check(row: Array, column: Column, cells: Cells) -> None:
    """Raise UnreadableError at the first sample that is no finite number."""
    bad = np.flatnonzero(~(np.abs(row) < LARGEST))
    if bad.size:
        value = row[bad[0]]
        what = "is missing or not a number" if np.isnan(value) else f"is {value:g}"
        more = f" (and {bad.size - 1} more)" if bad.size > 1 else ""
        where = f"column {column.name}, data row {cells.rows[bad[0]] + 1}"
        raise UnreadableError(f"{where}: the sample {what}{more}; replace or cut such rows out")


def _stated_rate(table: Table, rate_hz: float | None) -> tuple[float, str]:
    """The rate of a log without time stamps: as given, or as a line above the numbers says."""
    said = next((found for line in table.lead if (found := _RATE.search(line))), None)
    in_file = float(said[1].replace(",", ".")) * (1000 if said[2] else 1) if said else None
    rate = in_file if rate_hz is None else rate_hz
    if rate is None:
        names = ", ".join(table.names)
        raise UnreadableError(f"none of its columns ({names}) tells the time, and no line above them the rate; state the rate in Hz")
    if not SLOWEST_HZ <= rate <= FASTEST_HZ:
        raise UsageError(f"rate is {rate:g} Hz; it must lie between {SLOWEST_HZ:g} and {FASTEST_HZ:g} Hz")
    return rate, f"no time column; rate {rate:g} Hz as {'the file says above its columns' if rate_hz is None else 'given'}"


def _counted(values: Array, column: Column, time_unit: str | None) -> Clock:
    """Time stamps written as numbers; the unit stated by the user goes before the one in the column's name."""
    if not np.all(np.isfinite(values)):
        row = np.flatnonzero(~np.isfinite(values))[0]
        raise UnreadableError(f"column {column.name}: time stamp {row + 1} is missing or not a number; replace or cut the row out")
    stated_by = "as given" if time_unit else f"by the name of column {column.name}"
    return read_numbers(values, typical_interval(values), time_unit or column.time_unit, stated_by)


def _resolution(table: Table, column: int) -> float:
    """What the last decimal of a time column is worth, in its unit."""
    cells = [line.split(None if table.delimiter == " " else table.delimiter)[column:] for line in table.lines[:ENOUGH]]
    digits = max((len(re.split(r"[^\d]", cell[0].partition(".")[2])[0]) for cell in cells if cell), default=0)
    return 10.0**-digits


def _timed(samples: Array, channels: tuple[Channel, ...], clock: Clock, resolution_s: float, log: Sequence[str]) -> Recording:
    """Rows in order of time, at an even rate."""
    line = time_line(clock.stamp_s, resolution_s)
    if not SLOWEST_HZ <= line.rate_hz <= FASTEST_HZ:
        raise UnreadableError(f"its time stamps give {line.rate_hz:.3g} Hz, which no such log has; state their unit (s, ms, us or ns)")
    start = clock.start + timedelta(seconds=float(line.stamp_s[0])) if clock.start else None
    log = [*log, *clock.log, *line.log]
    samples, stamps = samples[:, line.rows], line.stamp_s
    taken = None
    if not line.is_even:
        taken = Taken(line.time_s, samples)
        samples, stamps, done = even_grid(samples, line, [channel.role for channel in channels])
        log.append(done)
    return Recording(samples, line.rate_hz, channels, Source(encoding="text"), line.rate_u95_hz, stamps, start, tuple(log), taken=taken)
