"""Rows taken at uneven times, put on an even grid."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vibekit.capture.timestamps import SAME, Timeline
from vibekit.recording import Role

Array = npt.NDArray[np.float64]

DEGREE = 5  # of the spline: a tone at a quarter of the rate keeps 99.7 % of its amplitude (98.5 % with a cubic one)


def even_grid(samples: Array, timeline: Timeline, roles: Sequence[Role]) -> tuple[Array, Array, str]:
    """Samples at even times, as many as there were and over the same time, so that the mean rate stays.

    samples: (channels, n) taken at `timeline.time_s`; roles: one a channel
    Gives the (channels, n) samples, their (n,) times in seconds and the line for the log.

    Vibration is interpolated by a spline of degree 5, across gaps by straight lines; telemetry by straight lines; of
    tacho pulses the nearest is taken, so that they stay pulses.
    """
    from scipy.interpolate import make_interp_spline  # 0.5 s to import

    time, count = timeline.time_s, timeline.time_s.size
    grid = np.linspace(time[0], time[-1], count)
    interval = 1 / timeline.rate_hz
    apart = _apart(time, SAME * interval)
    time, samples = time[apart], samples[:, apart]
    knots = _bridged(time, interval)
    degree = min(DEGREE, (knots.size - 1) // 2 * 2 - 1)
    out = np.empty((len(samples), count))
    for row, role, new in zip(samples, roles, out, strict=True):
        if role == "tacho":
            new[:] = row[np.searchsorted((time[1:] + time[:-1]) / 2, grid)]
        elif role == "telemetry" or degree < 3:
            new[:] = np.interp(grid, time, row)
        else:
            new[:] = make_interp_spline(knots, np.interp(knots, time, row), degree)(grid)
    how = f"spline of degree {DEGREE}, straight lines across gaps"
    line = f"resampled from its uneven time stamps to an even {timeline.rate_hz:.6g} Hz ({how})"
    if apart.size < count:
        line += f"; rows left out that stood at the time of the one before: {count - apart.size}"
    return out, grid, line


def _bridged(time: Array, interval: float) -> Array:
    """The times, and between two that lie far apart as many more as are missing: a spline would swing through the gap."""
    missing = np.maximum(0, np.round(np.diff(time) / interval) - 1).astype(np.intp)
    before = np.repeat(np.arange(time.size - 1), missing + 1)
    step = np.arange(before.size) - np.searchsorted(before, before)
    knots: Array = np.append(time[before] + step * (np.diff(time) / (missing + 1))[before], time[-1])
    return knots


def _apart(time: Array, least: float) -> npt.NDArray[np.intp]:
    """Indices of rows no closer than `least` to the last one taken; nearly all of them, so only close ones are looked at singly."""
    keep = np.ones(time.size, dtype=bool)
    last = 0
    for i in (np.flatnonzero(np.diff(time) < least) + 1).tolist():
        last = i - 1 if keep[i - 1] else last
        keep[i] = time[i] - time[last] >= least
    return np.flatnonzero(keep)
