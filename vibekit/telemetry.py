"""A speed column of a log: how often it counts the shaft, and how far it lags behind the vibration."""

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.normal import Z95
from vibekit.track import Track

Array = npt.NDArray[np.float64]
ELECTRICAL = re.compile(r"(?<![a-z])e[ _-]?rpm\b|electrical", re.IGNORECASE)
STEP_S = 0.02  # of lags tried
FURTHEST_S = 1.5
LEAST_S = 4.0  # seen both ways at each lag
EXPLAINED = 0.5  # of what the speed moves, that the column must follow at the best lag
TOLD_S = 0.1  # half width of an interval, beyond which a lag is not told
MEMORY = 1.0, 0.1  # in s, or of the time: in which errors of two speeds are taken as alike, the longer of both


@dataclass(frozen=True, slots=True)
class Column:
    """What a telemetry column says: speed hz (n,) at time_s (n,), ascending, and half width of the 95 % interval of its mean."""

    time_s: Array
    hz: Array
    u95_hz: float

    @property
    def track(self) -> Track:
        """Straight lines between."""
        return Track(self.time_s, self.hz)

    def over(self, pairs: int) -> "Column":
        """The shaft's, where the column counts electrical turns."""
        return Column(self.time_s, self.hz / pairs, self.u95_hz / pairs)


def read_column(column: npt.NDArray[np.floating], rate_hz: float, unit: str) -> Column | None:
    """Read a column that repeats each value until the next: the first sample of each is kept; None with fewer than two above zero."""
    hz = column.astype(np.float64) / (60.0 if unit == "rpm" else 1.0)
    usable = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    if usable.size < 2:
        return None
    fresh = np.concatenate(([True], np.diff(hz[usable]) != 0))
    fresh[-1] = True
    at = usable[fresh]
    hz = hz[at]
    noise = np.sqrt(np.mean(np.diff(hz, 2) ** 2) / 6) if hz.size > 2 else 0.0  # 1, -2, 1 squared sum to 6
    steps = np.abs(np.diff(hz))
    rounding = float(np.min(steps[steps > 0], initial=np.inf)) / np.sqrt(12)
    u95 = Z95 * max(noise / np.sqrt(hz.size), rounding if np.isfinite(rounding) else 0.0)
    return Column(at / rate_hz, hz, float(u95))


def lag_of(column: Track, seen: Track) -> tuple[float, float] | None:
    """Time in s by which a column comes after the vibration, and half width of its 95 % interval; None where the two do not tell.

    seen: speed as the vibration shows it
    The lag at which the column, times a factor near 1 for its clock, leaves least of that speed (least squares, which is the peak of their
    cross-correlation; Knapp & Carter, IEEE Trans. ASSP 24 (1976) 320-327). The interval takes what is left as it is, alike over MEMORY
    (Newey & West, Econometrica 55 (1987) 703-708).
    """
    from scipy.special import stdtrit

    start, end = seen.time_s[0], seen.time_s[-1]
    first, last = column.time_s[0], column.time_s[-1]
    reach = min(FURTHEST_S, (min(end, last) - max(start, first)) / 6)
    at = np.arange(max(start, first + reach), min(end, last - reach), STEP_S)
    if at.size * STEP_S < LEAST_S:
        return None
    speed = seen.at(at)
    lag = np.arange(-reach, reach, STEP_S)
    told = column.at(at + lag[:, None])
    factor = told @ speed / (told * told).sum(axis=1)
    left = ((speed - factor[:, None] * told) ** 2).sum(axis=1)
    best = int(left.argmin())
    if best in (0, lag.size - 1) or left[best] > (1 - EXPLAINED) * ((speed - speed.mean()) ** 2).sum():
        return None
    low, middle, high = left[best - 1 : best + 2]
    found = float(lag[best] + STEP_S * 0.5 * (low - high) / max(low - 2 * middle + high, np.finfo(float).tiny))
    memory = max(MEMORY[0], MEMORY[1] * at.size * STEP_S)
    sd = _lag_sd(speed, factor[best] * column.at(at + found), round(memory / STEP_S))
    u95 = float(stdtrit(at.size * STEP_S / memory - 2, 0.975)) * sd
    return (found, u95) if u95 < TOLD_S else None


def _lag_sd(speed: Array, told: Array, alike: int) -> float:
    """Standard deviation of a lag fitted together with a factor; errors hang together over `alike` steps."""
    moves, shown = np.gradient(told, STEP_S), np.gradient(speed, STEP_S)  # their errors have nothing in common
    slopes = np.column_stack([told, moves])
    inverse = np.linalg.pinv(slopes.T @ np.column_stack([told, shown]))
    score = slopes * (speed - told)[:, None]
    spread = score.T @ score
    for far in range(1, alike + 1):
        share = score[far:].T @ score[:-far] * (1 - far / (alike + 1))
        spread += share + share.T
    return float(np.sqrt(max((inverse @ spread @ inverse.T)[1, 1], 0.0)))
