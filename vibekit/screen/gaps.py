"""Gaps that are told of: by the recorder, and in a text log, where the clock went on and the rows did not.

The reader of a log bridges its gaps by straight lines and says so in the recording's log.
"""

import re

import numpy as np
from scipy.ndimage import find_objects, label

from vibekit.problem import Problem
from vibekit.recording import Recording
from vibekit.screen.steady import Span
from vibekit.units import duration

TOLD = re.compile(r"gaps in the time stamps: (\d+), the longest (\S+) s, (\S+) s after the first row; rows missing: about (\d+)")
PAUSED = re.compile(r"pauses in the time stamps: \d+, the longest (\S+) s")
PAUSED_ON_PURPOSE = "paused"
WARN_SHARE, STOP_SHARE = 0.01, 0.2  # of the rows
STRAIGHT = 1e-4  # bend, part of the range: noise alone makes three such in a row once in 10 thousand million
LEAST = 3
RINGING = 8  # samples on either side of a bridge's quiet middle over which the spline still rings


def find_bridges(recording: Recording) -> list[Span]:
    """Stretches that hold nothing but the straight line over a gap: (start, stop)."""
    if not any(TOLD.match(line) for line in recording.log):
        return []
    rows = recording.samples[recording.rows("vibration")]
    bend = np.abs(np.diff(rows, 2, axis=1))
    groups, _ = label(np.all(bend <= STRAIGHT * np.ptp(rows, axis=1, keepdims=True), axis=0))
    runs = [run[0] for run in find_objects(groups)]
    n = rows.shape[1]
    return [(max(run.start + 1 - RINGING, 0), min(run.stop + 1 + RINGING, n)) for run in runs if run.stop - run.start >= LEAST]


def check_lost(recording: Recording) -> list[Problem]:
    """What the recorder knows to have been lost; pauses are noted."""
    found = []
    lost = [place for place in recording.lost if place.why != PAUSED_ON_PURPOSE]
    pauses = len(recording.lost) - len(lost)
    if pauses:
        many = "once" if pauses == 1 else f"{pauses} times"
        found.append(Problem("paused", "note", f"The recording was paused {many}: it is looked at on both sides of each pause."))
    if lost:
        missing_s = sum(place.missing for place in lost) / recording.rate_hz
        many = "1 drop-out" if len(lost) == 1 else f"{len(lost)} drop-outs"
        why = ", ".join(dict.fromkeys(place.why for place in lost))
        text = f"{many}, {duration(missing_s)} in all, the first at {lost[0].start / recording.rate_hz:.2f} s ({why}). "
        grave = missing_s > STOP_SHARE * (recording.duration_s or 1)
        rest = "Too little is left between them: close" if grave else "They are left out; for a clean record close"
        found.append(Problem("drop-out", "stop" if grave else "warning", f"{text}{rest} other programs and record again."))
    return found


def check_gaps(recording: Recording) -> list[Problem]:
    """Pauses and gaps that the reader told of, gaps when they make up a hundredth of the rows or more."""
    for paused in filter(None, map(PAUSED.match, recording.log)):
        length = f"{float(paused[1]):.2g} s"
        detail = f"The log paused for {length}, and only its longest stretch is looked at. Keep the screen on for the next recording."
        return [Problem("gap", "warning", detail)]
    for told in filter(None, map(TOLD.match, recording.log)):
        count, longest, after, missing = int(told[1]), float(told[2]), float(told[3]), int(told[4])
        share = missing / (recording.samples.shape[1] or 1)
        if share < WARN_SHARE:
            continue
        many = "a gap" if count == 1 else f"{count} gaps"
        size = f"{100 * share:.2g} % of its rows, the longest {longest:.2g} s at {after:.1f} s"
        text = f"The log has {many}, {size}: nothing was written there. "
        if share > STOP_SHARE:
            return [Problem("gap", "stop", text + "Too little is left between them; keep the screen on and record again.")]
        return [Problem("gap", "warning", text + "Long ones are left out; keep the screen on for the next recording.")]
    return []
