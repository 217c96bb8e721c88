"""The straightest line through a tube."""

from collections import deque

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Point = tuple[int, float]


def least_bent(low: Array, high: Array, slope: float) -> Array:
    """The shortest line with low <= line <= high at each index: a string pulled tight in the tube.

    low, high: (n,) bounds, neither falling, so that of equal ones only the first low and the last high one bind
    slope: that of the line where the tube leaves it free at its ends

    Two chains run from the last fixed point to the newest one, one resting on `low`, one hanging under `high`; where
    they meet, the string is fixed (funnel algorithm; Lee and Preparata, Networks 14 (1984) 393-410, from memory). Each
    point enters and leaves a chain once.
    """
    count = np.arange(len(low))
    floor, ceiling = np.maximum.accumulate(low - slope * count), np.minimum.accumulate(high - slope * count)
    reach = np.flatnonzero(floor <= ceiling)[-1]  # the start from which a straight string reaches farthest
    fixed: list[Point] = [(0, float(floor[reach] + ceiling[reach]) / 2)]
    below, above = deque(fixed), deque(fixed)
    last = len(low) - 1
    binds_below = np.append(False, np.diff(low) > 0)
    binds_above = np.append(np.diff(high) > 0, True)
    binds_below[last:] = True
    for i in (np.flatnonzero((binds_below | binds_above)[1:]) + 1).tolist():
        if binds_below[i]:
            _stretch(below, above, (i, float(low[i])), 1, fixed)
        if binds_above[i]:
            _stretch(above, below, (i, float(high[i])), -1, fixed)
    row, time = fixed[-1]
    if row < last:
        end = min(max(slope, _steepness(below[0], below[1])), _steepness(above[0], above[1]))
        fixed.append((last, time + end * (last - row)))
    corner, height = np.array(fixed, dtype=np.float64).T
    line: Array = np.interp(count, corner, height)
    return line


def _steepness(a: Point, b: Point) -> float:
    return (b[1] - a[1]) / (b[0] - a[0])


def _stretch(chain: deque[Point], other: deque[Point], point: Point, side: int, fixed: list[Point]) -> None:
    """Add a point to its chain (side 1: resting on it, -1: hanging under it), fixing what the other chain can no longer avoid."""
    while len(chain) > 1 and side * (_steepness(chain[-1], point) - _steepness(chain[-2], chain[-1])) >= 0:
        chain.pop()
    while len(chain) == 1 and len(other) > 1 and side * (_steepness(other[0], point) - _steepness(other[0], other[1])) >= 0:
        other.popleft()
        chain[0] = other[0]
        fixed.append(other[0])
    chain.append(point)
