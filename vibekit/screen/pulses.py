"""Tacho and telemetry channels that say nothing."""

import numpy as np

from vibekit.problem import Problem
from vibekit.recording import Recording
from vibekit.screen.overview import Floats
from vibekit.settings import Settings
from vibekit.tacho import read_pulses

LEAST_PULSES = 4
LOOKED_AT_S = 30.0
EVEN_PULSES = 10
BESIDE_LEVEL, AT_LEVELS = 0.15, 0.97  # of the swing, and share of samples so near one of its ends: a sine clipped to a tenth has fewer
REPAIRED = 0.05  # of the pulses, from which the tacho wants care


def pulse_starts(x: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Samples at which the signal rises through 3/4 of its range after having been below 1/4."""
    low, high = float(x.min()), float(x.max())
    state = np.zeros(x.size, np.int8)
    state[x > low + 0.75 * (high - low)] = 1
    state[x < low + 0.25 * (high - low)] = -1
    known = np.flatnonzero(state)
    rises = np.flatnonzero((state[known][1:] == 1) & (state[known][:-1] == -1))
    return known[rises + 1].astype(np.int64)


def check_unsaid_tacho(recording: Recording) -> list[Problem]:
    """A channel beside another that nobody called a tacho, but that switches between two levels as evenly as a shaft turns."""
    rows = recording.rows("vibration")
    begin = recording.samples[:, : round(LOOKED_AT_S * recording.rate_hz)]
    found = {row: read_pulses(begin[row], recording.rate_hz) for row in rows if len(rows) > 1 and _has_two_levels(begin[row])}
    even = [row for row, pulses in found.items() if pulses and pulses.time_s.size >= EVEN_PULSES]
    if not even or len(even) == len(rows):
        return []
    names = ", ".join(recording.channels[row].name for row in even)
    roles = ",".join("tacho" if i in even else channel.role for i, channel in enumerate(recording.channels))
    detail = (
        f"Channel {names} switches between two levels as evenly as the pulses of a tacho, but was read as vibration. Say what each channel "
        f"holds: --roles {roles}, or ignore in its place to leave it out."
    )
    return [Problem("unsaid-tacho", "stop", detail)]


def _has_two_levels(x: Floats) -> bool:
    low, high = float(x.min()), float(x.max())
    at_either = np.minimum(x - low, high - x) < BESIDE_LEVEL * (high - low)
    return high > low and float(at_either.mean()) > AT_LEVELS


def check_speed_channels(recording: Recording, settings: Settings) -> list[Problem]:
    """Tacho rows without pulses, or with many that were missed or doubled; telemetry rows that never move from zero."""
    found = []
    for row in recording.rows("tacho"):
        name, x = recording.channels[row].name, recording.samples[row]
        count = pulse_starts(x).size if x.max() > x.min() else 0
        if count < LEAST_PULSES:
            detail = (
                f"Tacho channel {name} shows {count} pulses: no speed comes from it, and it is sought in the signal instead. "
                "Check the tacho's mark, distance and plug."
            )
            found.append(Problem("no-tacho", "warning", detail))
            continue
        pulses = read_pulses(x, recording.rate_hz, settings.marks)
        if pulses is None:
            detail = (
                f"Tacho channel {name} misses pulses or doubles them, so many that they come as no shaft's do with "
                f"{settings.marks or 'one mark'}{' marks' * bool(settings.marks)} a turn: the speed is sought in the signal instead. "
                "Clean its mark and shade it from other light; state --marks where several pass it in a turn."
            )
            found.append(Problem("uneven-tacho", "warning", detail))
        elif pulses.missed + pulses.doubled > REPAIRED * pulses.time_s.size:
            of = pulses.time_s.size
            detail = (
                f"Tacho channel {name} missed {pulses.missed} and doubled {pulses.doubled} pulses of {of}: they were put right. "
                "Clean its mark and shade it from other light."
            )
            found.append(Problem("uneven-tacho", "warning", detail))
    for row in recording.rows("telemetry"):
        if not np.any(recording.samples[row] > 0):
            name = recording.channels[row].name
            found.append(
                Problem("no-telemetry", "warning", f"Telemetry channel {name} holds no speed above zero. Check which column it is.")
            )
    return found
