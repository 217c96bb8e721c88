"""Statistics for few and repeated measurements: propagation, straight lines, outliers, and one motor against the others."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtr, stdtrit

from vibekit.errors import UsageError
from vibekit.median import MAD_TO_SD, MEDIAN_ERROR
from vibekit.normal import Z95

Array = npt.NDArray[np.float64]
SUSPECT = 3.5  # modified z above which a value is suspect: B. Iglewicz, D.C. Hoaglin, How to Detect and Handle Outliers (1993)
ROBUST = 4  # values, from which the middle is their median


def means_of(repeats: npt.ArrayLike) -> tuple[Array, Array]:
    """Give means and the covariance of the means of quantities measured together, repeatedly.

    repeats: (quantities, n), n at least 2; returns (quantities,) and (quantities, quantities). JCGM 100:2008, eq. 3 and 17.
    """
    values = np.atleast_2d(np.asarray(repeats, dtype=np.float64))
    n = values.shape[1]
    if n < 2:
        raise UsageError(f"repeats are {n}; their scatter needs at least 2")
    return values.mean(axis=1), np.atleast_2d(np.cov(values)) / n


def propagate(function: Callable[[Array], Array], means: Array, covariance: Array) -> tuple[Array, Array]:
    """Give the results of a function of correlated quantities and their covariance, first order (JCGM 100:2008, eq. 13; JCGM 102:2011).

    function: (quantities,) to (results,), smooth over a standard deviation; returns (results,) and (results, results)
    """
    deviation = np.sqrt(np.diag(covariance))
    step = 1e-3 * np.where(deviation > 0, deviation, 1.0)
    slopes = [(function(means + d) - function(means - d)) / (2 * d.sum()) for d in np.diag(step)]
    jacobian = np.array(slopes).T
    return np.asarray(function(means)), jacobian @ covariance @ jacobian.T


def correlation(covariance: Array) -> Array:
    """Give the correlation coefficients that belong to a covariance matrix."""
    deviation = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(deviation, deviation))


@dataclass(frozen=True, slots=True)
class LineFit:
    """A straight line y = intercept + slope (x - origin) by least squares.

    covariance: (2, 2) of (intercept, slope); scatter: standard deviation of one y about the line; freedom: n - 2
    """

    origin: float
    intercept: float
    slope: float
    covariance: Array
    scatter: float
    freedom: int

    def at(self, x: float) -> tuple[float, float]:
        """Give the line's height at x and its standard uncertainty."""
        row = np.array([1.0, x - self.origin])
        return float(row @ [self.intercept, self.slope]), math.sqrt(float(row @ self.covariance @ row))

    @property
    def reach_95(self) -> float:
        """Factor from a standard uncertainty to the half width of the 95 % interval (Student)."""
        return float(stdtrit(self.freedom, 0.975))


def fit_line(x: npt.ArrayLike, y: npt.ArrayLike, origin: float = 0.0) -> LineFit:
    """Fit a straight line to points whose y scatter alike (JCGM 100:2008, annex H.3).

    x, y: (n,), n at least 3. Raises UsageError when there are fewer points or all lie at one x.
    """
    along, height = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if along.shape != height.shape or along.ndim != 1 or along.size < 3 or np.ptp(along) == 0:
        raise UsageError(f"points have shapes {along.shape} and {height.shape}; a line with its scatter needs 3 or more, not all at one x")
    design = np.column_stack([np.ones_like(along), along - origin])
    inverse = np.linalg.inv(design.T @ design)
    intercept, slope = inverse @ design.T @ height
    freedom = along.size - 2
    variance = float(np.sum((height - design @ [intercept, slope]) ** 2)) / freedom
    return LineFit(origin, float(intercept), float(slope), np.asarray(inverse * variance, dtype=np.float64), math.sqrt(variance), freedom)


@dataclass(frozen=True, slots=True)
class Outliers:
    """Result of the generalised extreme studentised deviate test.

    index: (most,) indices of the values taken out in turn; statistic, limit: (most,) of each step
    count: how many of them, from the first, are outliers: the LARGEST step whose statistic passes its limit
    """

    index: npt.NDArray[np.intp]
    statistic: Array
    limit: Array
    count: int


def find_outliers(values: npt.ArrayLike, most: int, chance: float = 0.05) -> Outliers:
    """Find up to `most` outliers among normal values (B. Rosner, Technometrics 25 (1983) 165-172; good from about 25 values on).

    values: (n,); most: 1 to n - 3; chance: of calling one where there is none. Raises UsageError.
    """
    data = np.asarray(values, dtype=np.float64)
    n = data.size
    if not 1 <= most <= n - 3:
        raise UsageError(f"most is {most}; with {n} values it must be from 1 to {n - 3}")
    left = np.ones(n, bool)
    index, statistic, limit = [], [], []
    for step in range(1, most + 1):
        rest = data[left]
        deviation = np.where(left, np.abs(data - rest.mean()), -1.0)
        worst = int(np.argmax(deviation))
        spread = float(rest.std(ddof=1))
        index.append(worst)
        statistic.append(float(deviation[worst]) / spread if spread > 0 else 0.0)
        left[worst] = False
        freedom = n - step - 1
        t = float(stdtrit(freedom, 1 - chance / (2 * (n - step + 1))))
        limit.append((n - step) * t / math.sqrt((freedom + t**2) * (n - step + 1)))
    passing = [i + 1 for i, (r, bound) in enumerate(zip(statistic, limit, strict=True)) if r > bound]
    return Outliers(np.array(index), np.array(statistic), np.array(limit), max(passing, default=0))


def modified_z(values: npt.ArrayLike) -> Array:
    """Give 0.6745 (x - median) / MAD of each value; suspect above SUSPECT (Iglewicz & Hoaglin 1993).

    Raises UsageError when more than half of the values are the same.
    """
    data = np.asarray(values, dtype=np.float64)
    off = data - np.median(data)
    mad = float(np.median(np.abs(off)))
    if mad == 0:
        raise UsageError("more than half of the values are the same; their median deviation is 0")
    return np.asarray(0.6745 * off / mad)


def largest_z(n: int) -> float:
    """Give the largest ordinary |z| that any of n values can have, (n - 1) / sqrt(n): 1.5 for four motors.

    R.E. Shiffler, Am. Statistician 42 (1988) 79-80: a rule of 3 cannot fire below 11 values.
    """
    return (n - 1) / math.sqrt(n)


def repeatability_limit(deviation: float) -> float:
    """Give the difference that two single measurements of the same thing pass once in 20: 1.96 sqrt(2) s_r (ISO 5725-6: 2.8 s_r)."""
    return Z95 * math.sqrt(2) * deviation


@dataclass(frozen=True, slots=True)
class Centre:
    """The middle of some values that outliers do not move.

    value: their median; spread: standard deviation of one; u95: half width of the median's 95 % interval
    """

    value: float
    spread: float
    u95: float


def robust_centre(values: npt.ArrayLike, deviation: float) -> Centre:
    """Give the median and the spread: from the median absolute deviation, but never less than repeating alone scatters.

    values: (n,), n at least 1; deviation: standard deviation of repeating one measurement, from the archive or the rig
    Fewer than four values say too little about their spread: then it is `deviation`. Raises UsageError.
    """
    data = np.asarray(values, dtype=np.float64)
    if data.size == 0:
        raise UsageError("there are no values; a centre needs at least 1")
    if not deviation > 0:
        raise UsageError(f"deviation is {deviation:g}; what repeating scatters by must be above 0")
    middle = float(np.median(data))
    spread = max(deviation, MAD_TO_SD * float(np.median(np.abs(data - middle)))) if data.size > 3 else deviation
    return Centre(middle, spread, Z95 * spread * math.sqrt(_median_variance(data.size)))


@dataclass(frozen=True, slots=True)
class Departure:
    """One value against the centre of the others. stands_out: the difference passes its 95 % half width."""

    difference: float
    u95: float

    @property
    def stands_out(self) -> bool:
        """Passes what repeating the measurement and the spread of the others explain."""
        return abs(self.difference) > self.u95


def leave_one_out(values: npt.ArrayLike, deviation: float) -> tuple[Departure, ...]:
    """Compare each value with the robust centre of the others; arguments as for `robust_centre`, but 2 values or more.

    This can find one bad motor among four, where an ordinary z cannot pass 1.5 (`largest_z`).
    """
    data = np.asarray(values, dtype=np.float64)
    if data.size < 2:
        raise UsageError(f"there are {data.size} values; comparing needs at least 2")
    found = []
    for i in range(data.size):
        centre = robust_centre(np.delete(data, i), deviation)
        u95 = Z95 * centre.spread * math.sqrt(1 + _median_variance(data.size - 1))
        found.append(Departure(float(data[i]) - centre.value, u95))
    return tuple(found)


def _median_variance(n: int) -> float:
    """Variance of the median of n normal values of unit variance: exact to n = 2, within 1 % above (order statistics)."""
    return 1 / n if n < 3 else math.pi / (2 * (n + (0.5 if n % 2 else 1.3)))


def error_of_middle(values: Array) -> float:
    """Standard error of the middle of values (n,), from how far they lie apart: of the mean, or from ROBUST on of the median; 0 for one."""
    if len(values) < ROBUST:
        return float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    return MEDIAN_ERROR * MAD_TO_SD * float(np.median(np.abs(values - np.median(values)))) / math.sqrt(len(values))


def deviate(score: float, degrees: float) -> float:
    """Normal deviate of a Student score of equal chance."""
    return math.copysign(-float(ndtri(max(stdtr(degrees, -abs(score)), 1e-300))), score)
