"""Tacho pulses, one a turn: edge times below one sample, repaired, and the speed that they say."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
BLOCKS = 8
WORST = 0.3  # repaired pulses for each real one, beyond which nothing is believed
UNEVEN = 0.1  # scatter of one pulse over the turn, beyond which it is no shaft's


@dataclass(frozen=True, slots=True)
class Pulses:
    """Pulse times, one a turn, ascending.

    time_s: (n,) seconds after the first sample; missed: pulses put in where one was lacking; doubled: pulses taken out
    jitter_s: standard deviation of one pulse time, from how evenly they come
    """

    time_s: Array
    missed: int
    doubled: int
    jitter_s: float


def read_pulses(voltage: npt.NDArray[np.floating], rate_hz: float) -> Pulses | None:
    """Pulses of one tacho channel, None when it holds fewer than three, or none that come as a shaft's do (a sensor that sees nothing).

    voltage: (n,) any unit and polarity; a pulse shorter than its pause is found whichever way it points
    """
    time = edges(voltage, rate_hz)
    if time.size < 3:
        return None
    time, doubled = _without_doubles(time)
    if time.size < 3:
        return None
    time, missed = _with_missed(time)
    if missed + doubled > WORST * time.size:
        return None
    uneven = np.diff(time, 3)  # third differences: speed and its change drop out; 1, 3, 3, 1 squared sum to 20
    jitter = float(np.sqrt(np.mean(uneven**2) / 20)) if uneven.size else 0.1 / rate_hz
    return Pulses(time, missed, doubled, jitter) if jitter < UNEVEN * (time[-1] - time[0]) / (time.size - 1) else None


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


def _without_doubles(time: Array) -> tuple[Array, int]:
    """Drop a pulse that follows another within 40 % of the local turn; give up, all dropped, where most do."""
    doubled = 0
    while time.size > 3:
        step = np.diff(time)
        close = np.flatnonzero(step < 0.4 * _local_turn(step))
        if not close.size:
            break
        if close.size > WORST * time.size:
            return time[:0], doubled
        time = np.delete(time, _worse(time, int(close[0])))
        doubled += 1
    return time, doubled


def _worse(time: Array, i: int) -> int:
    """Of the two pulses i and i + 1, which one fits less well half-way between its outer neighbours."""
    if i == 0 or i + 2 >= time.size:
        return i + 1 if i == 0 else i
    middle = (time[i - 1] + time[i + 2]) / 2
    return i if abs(time[i] - middle) > abs(time[i + 1] - middle) else i + 1


def _with_missed(time: Array) -> tuple[Array, int]:
    """Put pulses evenly into a gap of about a whole number of turns."""
    step = np.diff(time)
    turns = np.maximum(np.round(step / _local_turn(step)), 1).astype(int)
    filled = [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(time[:-1], time[1:], turns, strict=True)]
    return np.concatenate([*filled, time[-1:]]), int((turns - 1).sum())


def _local_turn(step: Array) -> Array:
    """Median of the intervals nearby: a few lost or doubled pulses do not move it."""
    from scipy.ndimage import median_filter

    local: Array = median_filter(step, size=min(9, step.size), mode="nearest")
    return local
