"""A speed against time, and the angle it adds up to."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
INSTANT_S = 1e-12  # two times no farther apart are one


@dataclass(frozen=True, slots=True)
class Track:
    """Turns a second hz (n,) at times time_s (n,), ascending, n >= 1; straight lines between, the end speeds go on outside."""

    time_s: Array
    hz: Array

    @staticmethod
    def steady(hz: float, end_s: float) -> "Track":
        """One speed from 0 to end_s."""
        return Track(np.array([0.0, end_s]), np.full(2, hz))

    @staticmethod
    def through(time_s: Array, turns: Array) -> "Track":
        """Track whose angle passes through turns (n,) at time_s (n,), n >= 3, with a smooth speed.

        At each point the slope of the parabola through it and its two neighbours (Fyfe & Munck, Mech. Syst. Signal Process. 11 (1997)
        187-205, eq. 1); half-way between two points what makes the turns between them come out.
        """
        step, rate = np.diff(time_s), np.diff(turns) / np.diff(time_s)
        inner = (rate[:-1] * step[1:] + rate[1:] * step[:-1]) / (step[:-1] + step[1:])
        at = np.concatenate((2 * rate[:1] - inner[:1], inner, 2 * rate[-1:] - inner[-1:]))
        knots, hz = np.empty(2 * time_s.size - 1), np.empty(2 * time_s.size - 1)
        knots[::2], knots[1::2] = time_s, (time_s[:-1] + time_s[1:]) / 2
        hz[::2], hz[1::2] = at, 2 * rate - (at[:-1] + at[1:]) / 2
        return Track(knots, hz)

    def times(self, factor: float) -> "Track":
        """The same, every speed times a factor."""
        return Track(self.time_s, self.hz * factor)

    @property
    def mean_hz(self) -> float:
        """Mean speed from the first to the last time."""
        if self.time_s.size < 2:
            return float(self.hz[0])
        return float(np.trapezoid(self.hz, self.time_s) / (self.time_s[-1] - self.time_s[0]))

    def at(self, at_s: npt.ArrayLike) -> Array:
        """Speed at any times (same shape), turns a second."""
        return np.asarray(np.interp(np.asarray(at_s, dtype=np.float64), self.time_s, self.hz))

    def turns(self, at_s: npt.ArrayLike) -> Array:
        """Turns since the first time, at any times (same shape); negative before it."""
        at = np.asarray(at_s, dtype=np.float64)
        step = np.maximum(np.diff(self.time_s), INSTANT_S)  # from here on of the stretch before the first time, those between, that after
        begin, hz = np.concatenate((self.time_s[:1], self.time_s)), np.concatenate((self.hz[:1], self.hz))
        whole = np.concatenate(([0.0, 0.0], np.cumsum(step * (self.hz[1:] + self.hz[:-1]) / 2)))
        bend = np.concatenate(([0.0], np.diff(self.hz) / step / 2, [0.0]))
        if at.ndim == 1 and np.all(at[1:] >= at[:-1]):  # few knots among many times are found faster than the other way round
            count = np.diff(np.searchsorted(at, self.time_s), prepend=0, append=at.size)
            begin, whole, hz, bend = (np.repeat(each, count) for each in (begin, whole, hz, bend))
        else:
            i = np.searchsorted(self.time_s, at, side="right")
            begin, whole, hz, bend = begin[i], whole[i], hz[i], bend[i]
        since = at - begin
        return np.asarray(whole + (hz + bend * since) * since)
