"""Tacho pulses of one or several marks a turn: edge times below one sample, repaired, the marks' spacing found, and the angle they say."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
BLOCKS = 8
WORST = 0.3  # repaired pulses for each real one, beyond which nothing is believed
UNEVEN = 0.1  # scatter of one pulse over the distance of two, beyond which it is no shaft's
MOST_MARKS = 60
REGULAR = 0.35  # of the narrowest gap, by which an interval may differ from those of the same two marks in the turns about
NEIGHBOURS = 4  # turns either side
TOLD = 0.01, 0.25  # unevenness of intervals from which marks tell themselves apart, and what their period must leave of it
NO_LESS = 1e-4  # difference of two of these that says nothing
TURNS = 5  # in which a pattern must have come back to be one


@dataclass(frozen=True, slots=True)
class Pulses:
    """Pulse times, ascending, and the shaft's angle at each.

    time_s: (n,) seconds after the first sample; turns: (n,) from 0
    place: (marks,) of each mark in the turn, 0 the first; place_sd: (marks,) standard deviation of each
    missed: pulses put in where one was lacking; doubled: pulses taken out
    jitter_s: standard deviation of one pulse time, from how evenly the same mark comes back
    has_origin: turn 0 is the same mark in every recording: the only one, or the one after the widest gap
    """

    time_s: Array
    turns: Array
    place: Array
    place_sd: Array
    missed: int
    doubled: int
    jitter_s: float
    has_origin: bool

    @property
    def marks(self) -> int:
        """Marks a turn."""
        return int(self.place.size)

    @property
    def mean_sd_hz(self) -> float:
        """Standard deviation of the mean speed from first to last pulse, Hz."""
        span = self.time_s[-1] - self.time_s[0]
        place = self.place_sd[(self.turns.size - 1) % self.marks]
        return float(np.hypot(np.sqrt(2) * self.jitter_s * self.turns[-1] / span, place) / span)


def read_pulses(voltage: npt.NDArray[np.floating], rate_hz: float, marks: int | None = None) -> Pulses | None:
    """Pulses of one tacho channel, None when it holds fewer than three, or none that come as a shaft's do (a sensor that sees nothing).

    voltage: (n,) any unit and polarity; a pulse shorter than its pause is found whichever way it points
    marks: that pass the sensor in a turn; when None, as many as tell themselves apart by unequal spacing, else one

    Where the marks lie in the turn is found from the record: each one's mean place between two passings of the first, the speed smooth
    meanwhile (a cubic spline). What a shaft does in the same way in every turn is no different from marks that are out of place.
    """
    time = edges(voltage, rate_hz)
    if time.size < 3:
        return None
    marks = marks or told_marks(time)
    if time.size < 2 * marks + 1:
        return None
    found, off = _numbered(time, marks)
    order = np.lexsort((off, found))
    each, kept = np.unique(found[order], return_index=True)  # of pulses that would be the same mark, the nearest to it
    number = each[np.isfinite(each)].astype(np.intp)
    doubled = time.size - number.size
    time = time[order[kept[: number.size]]]
    if number.size < 3 or number[-1] - number[0] < 2 * marks:
        return None
    missed = int(number[-1] - number[0] + 1 - number.size)
    if missed + doubled > WORST * time.size:
        return None
    places = _places(time, number, marks)
    if places is None:
        return None
    place, scatter = places
    gap = np.diff(place, append=1.0)
    first = (int(np.argmax(gap)) + 1) % marks  # the mark after the widest gap
    apart = np.sort(gap)
    has_origin = marks == 1 or bool(apart[-1] - apart[-2] > max(5 * scatter.max(), TOLD[0] / marks))
    place, scatter = (np.roll(place, -first) - place[first]) % 1, np.roll(scatter, -first)
    begin = int(np.argmax(number % marks == first))  # turn 0 is the first mark's
    time, number = time[begin:], number[begin:] - number[begin]
    whole = np.arange(number[-1] + 1)
    turns = whole // marks + place[whole % marks]
    filled = np.interp(turns, turns[number], time)
    jitter = _jitter(filled, np.isin(whole, number), marks, rate_hz)
    if not jitter < UNEVEN * (filled[-1] - filled[0]) / (filled.size - 1):
        return None
    return Pulses(filled, turns, place, scatter, missed, doubled, jitter, has_origin)


def edges(voltage: npt.NDArray[np.floating], rate_hz: float) -> Array:
    """(n,) times at which a pulse starts, by straight line between the two samples around the half-way level.

    A pulse counts after the signal has come back below 35 % of its swing and gone past 55 %, so that ringing at an edge counts once.
    """
    if voltage.size < 2 * BLOCKS:
        return np.empty(0)
    level = voltage.astype(np.float64)
    blocks = level[: level.size // BLOCKS * BLOCKS].reshape(BLOCKS, -1)  # a spike is in one of them, a narrow pulse in most
    low, high = float(np.median(blocks.min(axis=1))), float(np.median(blocks.max(axis=1)))
    if not high > low:
        return np.empty(0)
    level = (level - low) / (high - low)
    if level.mean() > 0.5:  # the pulse is the shorter state
        level = 1 - level
    state = np.where(level > 0.55, 1, np.where(level < 0.35, -1, 0))
    known = np.flatnonzero(state)
    up = np.flatnonzero((state[known[:-1]] < 0) & (state[known[1:]] > 0))
    below, above = known[up], known[up + 1]
    crossing = np.array([b + int(np.argmax(level[b : a + 1] >= 0.5)) for b, a in zip(below, above, strict=True)], dtype=np.intp)
    before, after = level[crossing - 1], level[crossing]
    return np.asarray((crossing - 1 + (0.5 - before) / (after - before)) / rate_hz)


def told_marks(time: Array) -> int:
    """Number of marks a turn that unequal spacing shows: the period after which intervals come back; 1 where they are even.

    The calmer half of the intervals is asked first, so that lost and doubled pulses hide nothing, then all of them, for one gap a turn.
    """
    step = np.diff(time)
    for part in (0.5, 1.0):
        uneven = [_unevenness(step, m, part) for m in range(1, min(MOST_MARKS, step.size // TURNS) + 1)]
        if uneven and uneven[0] > TOLD[0] and min(uneven) < TOLD[1] * uneven[0]:
            return next(m for m, u in enumerate(uneven, 1) if u < 1.5 * min(uneven) + NO_LESS)
    return 1


def _unevenness(step: Array, m: int, part: float) -> float:
    """Mean size of the second difference of intervals m apart, over the interval, of the smaller part of them; no one counts above 1."""
    if step.size < 2 * m + 1:
        return np.inf
    before, here, after = step[: -2 * m], step[m:-m], step[2 * m :]
    size = np.sort(np.minimum(np.abs(after - 2 * here + before) / (before + after), 1))
    return float(size[: math.ceil(part * size.size)].mean())


def _numbered(time: Array, marks: int) -> tuple[Array, Array]:
    """Number (n,) of the mark that each pulse is, counted on from turn to turn, and how far off it lies in turns, (n,); nan fits none.

    Stretches whose intervals come back every turn are numbered as they come and joined by the angle between them; each pulse that is left
    is the mark nearest to it.
    """
    from scipy.ndimage import median_filter, minimum_filter1d

    step, whole = np.diff(time), time[marks:] - time[:-marks]
    turn = median_filter(whole, min(NEIGHBOURS * marks + 1, whole.size), mode="nearest")
    share = step / np.interp(np.arange(step.size), np.arange(turn.size) + (marks - 1) / 2, turn)
    usual = _usual(share, marks)
    regular = np.abs(share - usual) < REGULAR * minimum_filter1d(usual, NEIGHBOURS * marks)
    sure = np.append(True, regular) & np.append(regular, True)
    number, off = np.full(time.size, np.nan), np.zeros(time.size)
    bounds = np.flatnonzero(np.diff(sure, prepend=False, append=False)).reshape(-1, 2)
    if not bounds.size:
        return number, off
    longest = int(np.argmax(bounds[:, 1] - bounds[:, 0]))
    start, stop = bounds[longest]
    circle = _Circle.of(share[start : stop - 1], marks)
    number[start:stop] = np.arange(stop - start)

    def across(at: int, to: int) -> float:
        """Number of pulse `to`, at the speed about, from that of pulse `at`."""
        about = np.median(whole[max(min(at, to) - (NEIGHBOURS + 1) * marks, 0) : max(at, to) + NEIGHBOURS * marks + 1])
        return float(circle.nearest(circle.turns(number[[at]]) + (time[to] - time[at]) / about)[0])

    for (_, b), (c, d) in pairwise(bounds[longest:]):
        number[c:d] = across(b - 1, c) + np.arange(d - c)
    for (c, _), (a, b) in pairwise(bounds[longest::-1]):
        number[a:b] = across(c, b - 1) - np.arange(b - a)[::-1]
    known = np.isfinite(number)
    turns = _carried_on(time[known], circle.turns(number[known]), time[~known])
    number[~known] = circle.nearest(turns)
    off[~known] = np.abs(turns - circle.turns(number[~known]))
    number[off > REGULAR * np.diff(circle.place, append=1.0).min()] = np.nan
    return number, off


@dataclass(frozen=True, slots=True)
class _Circle:
    """Marks on a turn. place: (marks,) of each in the turn, 0 the first."""

    place: Array

    @classmethod
    def of(cls, share: Array, marks: int) -> "_Circle":
        """From the shares of a turn between marks one after the other; evenly spaced where they are less than a turn."""
        if share.size < marks:
            return cls(np.arange(marks) / marks)
        mean = np.array([share[j::marks].mean() for j in range(marks)])
        return cls(np.append(0.0, np.cumsum(mean)[:-1] / mean.sum()))

    def turns(self, number: Array) -> Array:
        """Angle in turns of marks counted on from turn to turn."""
        whole = number.astype(np.intp)
        return np.asarray(whole // self.place.size + self.place[whole % self.place.size])

    def nearest(self, turns: Array) -> Array:
        """Number of the mark nearest to an angle."""
        whole = np.floor(turns)
        return np.asarray(whole * self.place.size + np.abs((turns - whole)[:, None] - np.append(self.place, 1.0)).argmin(axis=1))


def _usual(share: Array, marks: int) -> Array:
    """Median (n,) of the shares between the same two marks in the turns about: a few lost or doubled pulses do not move it."""
    from scipy.ndimage import median_filter

    usual = np.empty_like(share)
    for j in range(min(marks, share.size)):
        usual[j::marks] = median_filter(share[j::marks], 2 * NEIGHBOURS + 1, mode="mirror")
    return usual


def _carried_on(time: Array, turns: Array, at: Array) -> Array:
    """Angle at times between others, and beside them at the speed of their end."""
    inside = np.interp(at, time, turns)
    first, last = (float((turns[p] - turns[q]) / (time[p] - time[q])) if time.size > 1 else 0.0 for p, q in ((1, 0), (-1, -2)))
    return np.asarray(inside + first * np.minimum(at - time[0], 0) + last * np.maximum(at - time[-1], 0))


def _places(time: Array, number: Index, marks: int) -> tuple[Array, Array] | None:
    """Place (marks,) of each mark in the turn that begins with number 0, and its standard deviation; None where one is never seen."""
    from scipy.interpolate import CubicSpline

    place, sd = np.zeros(marks), np.zeros(marks)
    first = number % marks == 0
    if marks == 1:
        return place, sd
    if first.sum() < 2:
        return None
    spline = CubicSpline(time[first], number[first] / marks)
    for j in range(1, marks):
        own = number % marks == j
        between = np.isin(number[own] - j, number) & np.isin(number[own] - j + marks, number)
        part = spline(time[own][between]) - (number[own][between] - j) / marks
        if part.size < 2:
            return None
        place[j] = part.mean()
        shared = 2 / (1 + (1 - place[j]) ** 2 + place[j] ** 2)  # two turns side by side share a passing of the first mark
        sd[j] = part.std(ddof=1) * np.sqrt(shared / part.size)
    return place, sd


def _jitter(time: Array, real: npt.NDArray[np.bool_], marks: int, rate_hz: float) -> float:
    """Standard deviation of a pulse time, from third differences of the same mark: speed and its change drop out.

    1, 3, 3, 1 squared sum to 20.
    """
    if time.size <= 3 * marks:
        return 0.1 / rate_hz
    first, second, third, fourth = (slice(i * marks, time.size - (3 - i) * marks) for i in range(4))
    rough = time[fourth] - 3 * time[third] + 3 * time[second] - time[first]
    whole = real[first] & real[second] & real[third] & real[fourth]
    return float(np.sqrt(np.mean(rough[whole] ** 2) / 20)) if whole.any() else np.inf
