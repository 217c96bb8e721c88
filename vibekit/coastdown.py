"""A coast-down: what slows a rotor that is left to itself, read from its speed against time."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve, cholesky
from scipy.special import stdtrit

from vibekit.errors import UsageError
from vibekit.statistics import propagate

Array = npt.NDArray[np.float64]
LEAST_POINTS = 8
LEAST_DROP = 0.3  # of the first speed; less says nothing of how drag depends on speed
ALIKE, MOST_POINTS, PARTS = 1.0, 300, 4  # turns over which points are joined, points kept at most, and parts of each for its walk
KNOWN = 0.3  # a part of the drag is stated where its interval is under this share of it
BRAKED_HZ = 2.0  # viscous rate, 1/s: grease of small bearings slows a bell by a tenth to a half each second (SKF's friction formulae)
# unevenness of a bearing's friction from turn to turn, middle and spread of its logarithm: of two good motors in three and one with grit or
# a rub of 2 to 20 limits, as the rig's friction is uneven (`vibekit/rig/hand_spin.py`; common practice, no source)
UNEVEN = 0.055, 1.0
MEMORY = 0.2  # turns over which uneven friction stays alike: about from one ball of a small bearing to the next (no source)
AIRY = 0.9995  # chance from which air is believed in: taken for air, what chance does to one in forty would cost all else its interval
BENDS_ALIKE = 1.94  # second differences of white noise that are worth one: 1 + 2 (4/9 + 1/36), squares of their correlations
RATIOS = np.geomspace(1e-4, 1e2, 13)  # variance of the wander in one step over that of one point
NODES, WEIGHTS = (np.asarray(part) for part in np.polynomial.legendre.leggauss(48))


@dataclass(frozen=True, slots=True)
class CoastDown:
    """Fit of dn/dt = -(dry + viscous n + air n^2), n in turns a second: torques over the moment of inertia, which stays unknown.

    time_s, hz: (n,) the points; start_hz: fitted speed at the first; drag: (3,) dry in turns/s2, viscous in 1/s, air in 1/turn
    covariance: (3, 3) of drag; reach: factor from a standard uncertainty to the half width of the 95 % interval
    uneven: standard deviation of the drag from turn to turn, share of the dry drag
    Dry friction of bearings and hysteresis of the iron both pull alike at every speed: dry is their sum.
    """

    time_s: Array
    hz: Array
    start_hz: float
    drag: Array
    covariance: Array
    reach: float
    uneven: float

    def part(self, index: int) -> tuple[float, float]:
        """One part of the drag, 0 dry, 1 viscous, 2 air, and the half width of its 95 % interval."""
        return float(self.drag[index]), self.reach * math.sqrt(float(self.covariance[index, index]))

    def known(self, index: int) -> tuple[float, float] | None:
        """The same, None where the half width of its interval is KNOWN of the value or more."""
        value, u95 = self.part(index)
        return (value, u95) if u95 < KNOWN * value else None

    def between(self, from_hz: float, to_hz: float) -> tuple[float, float] | None:
        """Seconds from one speed down to another, and the half width of the 95 % interval; None where KNOWN is not met."""
        slowest = min(_slowing(self.drag, n) for n in (from_hz, to_hz))
        if slowest <= 0:
            return None
        (seconds,), variance = propagate(lambda drag: np.array([coast_time(drag, from_hz, to_hz)]), self.drag, self.covariance)
        u95 = self.reach * math.sqrt(float(variance[0, 0]))
        return (float(seconds), u95) if u95 < KNOWN * seconds else None

    @property
    def braked(self) -> bool:
        """Slows as a motor whose windings are joined does: by a share of its speed each second that no bearing takes."""
        viscous, u95 = self.part(1)
        return viscous - u95 > BRAKED_HZ

    @property
    def has_propeller(self) -> bool:
        """Air takes a fifth of the drag at the first speed: a bare bell's takes about a hundredth (von Karman's disc: Schlichting)."""
        air, u95 = self.part(2)
        return air - u95 > 0 and air * self.start_hz**2 > 0.2 * _slowing(self.drag, self.start_hz)


def coast_time(drag: npt.ArrayLike, from_n: float, to_n: float) -> float:
    """Time in which a rotor slows from one speed to another: integral of dn / (a + b n + c n^2), by Gauss-Legendre.

    drag: (3,) a, b, c in any units that belong together, a torque over the moment of inertia; from_n > to_n >= 0
    Raises UsageError where the speeds are not so or the drag is not above 0 between them.
    """
    a, b, c = np.asarray(drag, dtype=np.float64)
    if not from_n > to_n >= 0:
        raise UsageError(f"speeds are {from_n:g} and {to_n:g}; the first must be above the second, and the second 0 or above")
    half = (from_n - to_n) / 2
    n = to_n + half * (1 + NODES)
    slowing = a + b * n + c * n**2
    if slowing.min() <= 0:
        raise UsageError(f"drag is {a:g}, {b:g}, {c:g}; it must slow the rotor at every speed between {to_n:g} and {from_n:g}")
    return float(half * np.sum(WEIGHTS / slowing))


def fit_coast_down(time_s: npt.ArrayLike, hz: npt.ArrayLike) -> CoastDown | None:
    """Fit what slows a rotor to its speed against time; None for fewer than LEAST_POINTS points or too small a drop.

    time_s, hz: (n,) ascending times and speeds in turns a second, above 0
    Integrated once, the equation is a line: n = n0 - dry t - viscous turns - air (integral of n^2). Points scatter by the measurement,
    alike, and wander because friction is uneven along the way: a random walk in the angle. Generalised least squares with both, their
    ratio by restricted maximum likelihood (Patterson & Thompson, Biometrika 58 (1971) 545). Air counts only where AIRY is reached.
    The interval is Student's; points that wander say less than free ones, so each counts for half a degree of freedom.
    """
    time, speed = np.asarray(time_s, dtype=np.float64), np.asarray(hz, dtype=np.float64)
    if time.size < LEAST_POINTS or speed[-3:].mean() > (1 - LEAST_DROP) * speed[:3].mean():
        return None
    step = np.diff(time)
    turns = np.concatenate(([0.0], np.cumsum(step * (speed[1:] + speed[:-1]) / 2)))
    squares = np.concatenate(([0.0], np.cumsum(step * (speed[1:] ** 2 + speed[:-1] ** 2) / 2)))
    rows = np.column_stack([speed, np.ones_like(time), time[0] - time, -turns, -squares])
    part = (PARTS * turns / max(min(ALIKE, turns[-1] / 16), turns[-1] / MOST_POINTS)).astype(int)
    group = np.unique(part // PARTS, return_inverse=True)[1]
    count = np.bincount(group)
    y, *columns = (np.bincount(group, column) / count for column in rows.T)
    if count.size < LEAST_POINTS:
        return None
    rough = float(np.mean((speed[4:] - 2 * speed[2:-2] + speed[:-4]) ** 2)) / 6  # every other: frames that overlap share noise
    fine, many = np.unique(part, return_inverse=True, return_counts=True)[1:]
    walk = _walk(np.bincount(fine, turns) / many, np.bincount(fine, speed) / many) * np.outer(many, many)
    first = np.flatnonzero(np.diff(group[np.cumsum(many) - 1], prepend=-1))
    walk = np.add.reduceat(np.add.reduceat(walk, first, axis=0), first, axis=1) / np.outer(count, count)
    points = _Scatter(count.mean() / count, walk, rough, speed.size / count.size, _roughness(turns, speed))
    design = np.column_stack(columns)
    found = _fit(design, y, points)
    freedom = count.size - 4
    if found.value[3] - float(stdtrit(freedom, AIRY)) * math.sqrt(found.covariance[3, 3]) <= 0:
        found, freedom = _fit(design[:, :3], y, points), freedom + 1
    size = found.value.size - 1
    drag, covariance = np.zeros(3), np.zeros((3, 3))
    drag[:size], covariance[:size, :size] = found.value[1:], found.covariance[1:, 1:]
    uneven = math.sqrt(found.walk) / drag[0] if drag[0] > 0 else math.nan
    return CoastDown(time, speed, float(found.value[0]), drag, covariance, float(stdtrit(max(freedom / 2, 2), 0.975)), uneven)


@dataclass(frozen=True, slots=True)
class _Scatter:
    """How points scatter: white (n,) relative variances of measuring; walk (n, n) covariance by uneven friction, 1 on the wander's axis.

    rough: variance of what was joined to them, as its second differences show it; joined: how many to a point; walks: such a variance of
    the walk alone
    """

    white: Array
    walk: Array
    rough: float
    joined: float
    walks: float


@dataclass(frozen=True, slots=True)
class _Fit:
    value: Array
    covariance: Array
    walk: float


def _fit(design: Array, y: Array, scatter: _Scatter) -> _Fit:
    """Least squares with covariance variance * (white + ratio * walk), averaged over the ratios by their restricted likelihood.

    How rough the speeds are from one to the next, closer together than the points, tells the two apart, too.
    """
    n, p = design.shape
    free = n * scatter.joined / BENDS_ALIKE
    length = float(scatter.walk[-1, -1]) / n
    kernel = scatter.walk / length
    values, covariances, walks, heights = [], [], [], []
    for ratio in RATIOS:
        factor = cholesky(np.diag(scatter.white) + ratio * kernel, lower=True), True
        weighed = cho_solve(factor, design)
        normal = design.T @ weighed
        value = np.linalg.solve(normal, weighed.T @ y)
        rest = y - design @ value
        variance = float(rest @ cho_solve(factor, rest)) / (n - p)
        size = 2 * float(np.log(np.diag(factor[0])).sum()) + float(np.linalg.slogdet(normal)[1])
        walk = variance * ratio / length
        uneven = math.log(max(math.sqrt(walk) / max(abs(value[1]), 1e-300), 1e-9) / UNEVEN[0]) / UNEVEN[1]
        rough = max(variance * scatter.joined + walk * scatter.walks, scatter.rough, 1e-300)
        seen = free * (math.log(rough) + scatter.rough / rough)  # no more than what is seen, which holds cogging, too
        heights.append(-((n - p) * math.log(max(variance, 1e-300)) + size + uneven**2 + seen) / 2)
        values.append(value)
        covariances.append(np.linalg.inv(normal) * variance)
        walks.append(walk)
    share = np.exp(np.array(heights) - max(heights))
    share /= share.sum()
    value = share @ np.array(values)
    off = np.array(values) - value
    covariance = np.tensordot(share, np.array(covariances), 1) + (off.T * share) @ off
    return _Fit(value, covariance, float(share @ walks))


def _walk(turns: Array, speed: Array) -> Array:
    """Covariance (n, n) of what friction that is uneven by 1 for each turn takes from the speed along the way.

    It stays alike over MEMORY turns (G. E. Uhlenbeck and L. S. Ornstein, Phys. Rev. 36 (1930) 823), so short stretches share it.
    """
    part = np.diff(turns) / MEMORY
    edge = np.concatenate(([0.0], np.cumsum(part)))
    apart = np.maximum(edge[:-1] - edge[1:, None], 0.0)  # from the end of one stretch to the beginning of a later one
    each = -np.expm1(-part)
    shared = np.triu(np.outer(each, each) * np.exp(-apart), 1)
    shared += shared.T + np.diag(2 * (part - each))
    pull = np.zeros((turns.size, turns.size))
    pull[1:, 1:] = np.cumsum(np.cumsum(shared / np.outer(speed[1:], speed[1:]), axis=0), axis=1)
    return pull * MEMORY / 2


def _roughness(turns: Array, speed: Array) -> float:
    """Variance of measuring for which every other second difference of the same walk would be taken; points are means, three quarters."""
    part = (turns[4:] - turns[:-4]) / 2 / MEMORY
    gone = -np.expm1(-part)
    return 0.75 * MEMORY * float(np.mean((2 * (part - gone) - gone**2) / speed[2:-2] ** 2)) / 6


def _slowing(drag: Array, hz: float) -> float:
    return float(drag[0] + drag[1] * hz + drag[2] * hz**2)
