"""Tacho and telemetry channels that say nothing."""

import numpy as np

from vibekit.problem import Problem
from vibekit.recording import Recording
from vibekit.screen.overview import Floats

LEAST_PULSES = 4
UNEVEN = 0.5  # of two neighbouring intervals' mean: a shaft cannot change so within a turn


def pulse_starts(x: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Samples at which the signal rises through 3/4 of its range after having been below 1/4."""
    low, high = float(x.min()), float(x.max())
    state = np.zeros(x.size, np.int8)
    state[x > low + 0.75 * (high - low)] = 1
    state[x < low + 0.25 * (high - low)] = -1
    known = np.flatnonzero(state)
    rises = np.flatnonzero((state[known][1:] == 1) & (state[known][:-1] == -1))
    return known[rises + 1].astype(np.int64)


def check_speed_channels(recording: Recording) -> list[Problem]:
    """Tacho rows without pulses, telemetry rows that never move from zero."""
    found = []
    for row in recording.rows("tacho"):
        name, x = recording.channels[row].name, recording.samples[row]
        starts = pulse_starts(x) if x.max() > x.min() else np.empty(0, np.int64)
        if starts.size < LEAST_PULSES:
            detail = (
                f"Tacho channel {name} shows {starts.size} pulses: no speed comes from it, and it is sought in the signal instead. "
                "Check the tacho's mark, distance and plug."
            )
            found.append(Problem("no-tacho", "warning", detail))
            continue
        apart = np.diff(starts)
        uneven = np.abs(np.diff(apart)) / (apart[1:] + apart[:-1]) * 2
        if np.mean(uneven > UNEVEN) > 0.05:
            detail = f"Tacho channel {name} misses pulses or doubles them. Clean its mark and shade it from other light."
            found.append(Problem("uneven-tacho", "warning", detail))
    for row in recording.rows("telemetry"):
        if not np.any(recording.samples[row] > 0):
            name = recording.channels[row].name
            found.append(
                Problem("no-telemetry", "warning", f"Telemetry channel {name} holds no speed above zero. Check which column it is.")
            )
    return found
