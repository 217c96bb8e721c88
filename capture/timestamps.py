"""When the rows of a log were taken, and how fast, from time stamps as loggers write them.

A stamp may be coarse (milliseconds, a rounded clock), shared by several rows, late, or missing with its row.
What is certain is a tube: a row was taken no earlier than its stamp and before the stamp's next step. When a
straight line runs through the tube, the rows are evenly spaced and only their rate is to be found. When none does,
rows are missing or the logger was unsteady; the least bent line through the tube is then the best time line.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.capture.tube import least_bent
from vibekit.errors import UnreadableError
from vibekit.normal import Z95

Array = npt.NDArray[np.float64]

SAME = 0.2  # stamps closer than this share of a sample interval count as one
UNEVEN = 0.05  # rms departure from an even grid, in sample intervals, above which rows are not evenly spaced
GAP = 1.5  # intervals longer than this many mean ones (beyond the stamp's step) are gaps
PAUSE = 10.0  # and these are pauses
MOST_PAUSED = 0.05  # share of a log that pauses may take before the log is cut at them
NEVER_RISE = "the time stamps never rise; a log needs stamps that do, or none and its rate"
ONE_ROW = "one row only; a rate needs two or more"


@dataclass(frozen=True, slots=True)
class Timeline:
    """Time of each row.

    rows: (n,) indices of the rows of the log that are kept, in order of time
    stamp_s: (n,) their stamps; time_s: (n,) when they were taken, seconds on the stamps' clock, never falling
    rate_hz: mean sample rate, rate_u95_hz: half width of its 95 % interval
    is_even: the rows are evenly spaced within what the stamps can tell
    log: what was found and left out, a sentence each
    """

    rows: npt.NDArray[np.intp]
    stamp_s: Array
    time_s: Array
    rate_hz: float
    rate_u95_hz: float
    is_even: bool
    log: tuple[str, ...]


def time_line(stamp_s: Array, resolution_s: float = 0.0) -> Timeline:
    """Time line, mean rate and its interval from (n,) time stamps in seconds, written with a resolution.

    An uneven log's mean rate is its intervals over the time they took, what is missing counted as time.

    Raises UnreadableError when fewer than two rows are left or the stamps never rise.
    """
    rows, log = _forward(stamp_s)
    rows, more = _without_pauses(stamp_s, rows, resolution_s)
    stamps = stamp_s[rows]
    interval = _interval(stamps)
    step, repeats = _step(stamps, interval, resolution_s)
    log += [*more, *_describe(stamps, interval, step)]
    low, high, index, knot = _tube(stamps, interval, step, repeats)
    count = np.arange(len(stamps), dtype=np.float64)
    times = stamps
    even = _even(low, high, index, knot, interval)
    if even is None and step > UNEVEN * interval:
        times = least_bent(low, high, interval)
        even = _even(low, high, count, times, interval)  # a fit may miss the one straight line there is
    if even is not None:
        times, slope, error = even
        turn = np.min(np.minimum(high - times, times - low) / np.maximum(0.5, np.abs(count - np.mean(index))))
        free = max(0.0, float(turn)) if step else resolution_s / len(stamps)  # how far the line may turn inside the tube
        return Timeline(rows, stamps, times, 1 / slope, float(np.hypot(Z95 * error, free)) / slope**2, True, tuple(log))
    mean = float(times[-1] - times[0]) / (len(times) - 1)
    if not mean > 0:
        raise UnreadableError(NEVER_RISE)
    rough = np.median(np.abs(np.diff(times, 2))) / 0.6745 / np.sqrt(6) if len(times) > 2 else 0.0  # of a single stamp
    ends = Z95 * float(np.hypot(max(step, resolution_s) / np.sqrt(12), rough)) * np.sqrt(2)  # 95 % interval of the time between them
    return Timeline(rows, stamps, times, 1 / mean, float(ends / (times[-1] - times[0]) / mean), False, tuple(log))


def _even(low: Array, high: Array, index: Array, knot: Array, interval: float) -> tuple[Array, float, float] | None:
    """The straight line fitted to the knots, its slope and the slope's standard error; None when it leaves the tube too far."""
    slope, error = _slope(index, knot)
    line = np.mean(knot) + slope * (np.arange(len(low)) - np.mean(index))
    outside = np.maximum(0, np.maximum(low - line, line - high))
    return (line, slope, error) if slope > 0 and np.sqrt(np.mean(outside**2)) <= UNEVEN * interval else None


def typical_interval(stamps: Array) -> float:
    """Typical sample interval of stamps in any order and unit. Raises UnreadableError as `time_line` does."""
    if len(stamps) < 2:
        raise UnreadableError(ONE_ROW)
    return _interval(np.sort(stamps))


def _interval(stamps: Array) -> float:
    """Typical sample interval: median over stretches long enough for several steps of the stamp; gaps hardly move it."""
    rises = int(np.count_nonzero(np.diff(stamps)))
    if not rises:
        raise UnreadableError(NEVER_RISE)
    count = len(stamps) - 1
    stretch = min(count, max(1, count // 10, 4 * count // rises if rises < count else 1))
    middle = float(np.median(stamps[stretch:] - stamps[:-stretch])) / stretch
    return middle if middle > 0 else float(stamps[-1] - stamps[0]) / count


def _step(stamps: Array, interval: float, resolution_s: float) -> tuple[float, bool]:
    """Step by which the stamp's clock moves (0 when too fine to matter), and whether rows share stamps."""
    rise = np.diff(stamps)
    shared = rise < SAME * interval
    if shared.mean() > 0.05:
        return float(np.median(rise[~shared])), True
    alike = SAME / 4 * interval
    odd = np.mean(np.abs(rise - np.median(rise)) > alike)
    rise = np.sort(rise)
    between = np.diff(rise)
    wide = between[between > alike]
    scatter = rise[-1] - rise[0] - wide.sum()  # what is left when the rises lie on a few values
    if not wide.size or scatter > alike * (wide.size + 1):
        return 0.0, False
    step = float(wide.min())
    if odd < 0.1 and step > max(interval / 2, 2 * resolution_s):
        return 0.0, False  # not a step of the clock: some rows are missing
    return step, False


def _forward(stamp_s: Array) -> tuple[npt.NDArray[np.intp], list[str]]:
    """Rows in order of time: neighbours that changed places are sorted, else the longest stretch that never falls is kept."""
    rows = np.arange(len(stamp_s))
    fall = np.flatnonzero(np.diff(stamp_s) < 0)
    if len(stamp_s) < 2:
        raise UnreadableError(ONE_ROW)
    if not fall.size:
        return rows, []
    order = np.argsort(stamp_s, kind="stable")
    interval = _interval(stamp_s[order])
    if np.max(stamp_s[fall] - stamp_s[fall + 1]) <= 5 * interval:
        return order, [f"time stamps out of order in {fall.size} places; rows sorted by time"]
    kept = _longest(rows, fall + 1)
    first = fall[0]
    lost = len(rows) - len(kept)
    return kept, [f"time goes back from {stamp_s[first]:.6g} s to {stamp_s[first + 1]:.6g} s; rows left out on the shorter side: {lost}"]


def _without_pauses(stamp_s: Array, rows: npt.NDArray[np.intp], resolution_s: float) -> tuple[npt.NDArray[np.intp], list[str]]:
    """All rows, or the longest stretch without a pause when pauses take more of the log than may be bridged."""
    if len(rows) < 2:
        raise UnreadableError(ONE_ROW)
    stamps = stamp_s[rows]
    interval = _interval(stamps)
    rise = np.diff(stamps)
    pause = rise > _step(stamps, interval, resolution_s)[0] + PAUSE * interval
    if rise[pause].sum() <= MOST_PAUSED * len(rows) * interval:
        return rows, []
    kept = _longest(rows, np.flatnonzero(pause) + 1)
    if len(kept) < 2:
        raise UnreadableError("the time stamps hold no stretch without pauses; record again")
    at = stamp_s[kept]
    return kept, [
        f"pauses in the time stamps: {np.count_nonzero(pause)}, the longest {rise.max():.3g} s; only the longest stretch between them "
        f"is kept, {at[0] - stamps[0]:.3g} s to {at[-1] - stamps[0]:.3g} s after the first row"
    ]


def _longest(rows: npt.NDArray[np.intp], cuts: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    return max(np.split(rows, cuts), key=len)


def _describe(stamps: Array, interval: float, step: float) -> list[str]:
    """What the stamps are like, in words."""
    rise = np.diff(stamps)
    lines = []
    if step > interval:
        shared = len(rise) / np.count_nonzero(rise > SAME * interval)
        lines.append(f"time stamps move in steps of {step * 1e3:.6g} ms, each shared by {shared:.3g} rows")
    gap = np.flatnonzero(rise > step + GAP * interval)
    if gap.size:
        worst = gap[rise[gap].argmax()]
        lines.append(
            f"gaps in the time stamps: {gap.size}, the longest {rise[worst]:.3g} s, {stamps[worst] - stamps[0]:.3g} s after the first row; "
            f"rows missing: about {np.sum(rise[gap]) / interval - gap.size:.0f}"
        )
    return lines


def _tube(stamps: Array, interval: float, step: float, repeats: bool) -> tuple[Array, Array, Array, Array]:
    """Bounds (low, high) of each row's time, and the points (row index, time) a rate is fitted to.

    Where rows share a stamp, the clock's step lies between the last row of one stamp and the first of the next:
    half a row before the first is known to half an interval, much closer than any row to its own stamp.
    """
    count = np.arange(len(stamps), dtype=np.float64)
    if not repeats:
        return stamps, stamps + step, count, stamps + step / 2
    first = np.flatnonzero(np.diff(stamps) >= SAME * interval) + 1
    value = np.concatenate([stamps[:1], stamps[first]])
    rise = np.diff(value)
    late = 3 * float(np.median(np.abs(rise - step * np.maximum(1, np.round(rise / step)))))  # a batch comes when it comes
    run = np.searchsorted(first, np.arange(len(stamps)), side="right")
    low: Array = value[run]
    high: Array = np.minimum(np.append(value[1:], np.inf)[run], low + step)
    return low - late, high + late, first.astype(np.float64) - 0.5, value[1:]


def _slope(index: Array, knot: Array) -> tuple[float, float]:
    """Least-squares slope, and its standard error from about 20 block means, so that slow wander counts in full."""

    def fit(x: Array, y: Array) -> tuple[float, float]:
        x, y = x - x.mean(), y - y.mean()
        slope = (x @ y) / (x @ x)
        rest = y - slope * x
        return float(slope), float(np.sqrt(rest @ rest / max(1, len(x) - 2) / (x @ x)))

    if len(index) < 2:
        return 0.0, 0.0
    size = max(1, len(index) // 20)
    edge = np.arange(0, len(index) - size + 1, size)
    blocks = [np.add.reduceat(values[: edge[-1] + size], edge) / size for values in (index, knot)]
    return fit(index, knot)[0], fit(*blocks)[1]
