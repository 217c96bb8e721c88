"""Gaps in a log that carries time stamps: the clock went on, the samples did not."""

import numpy as np
import numpy.typing as npt

from vibekit.problem import Problem
from vibekit.recording import Recording
from vibekit.screen.steady import Span

NEAR = 50  # stamps on either side that say where the clock stands
LEAST_LOST = 3.0  # samples
STALE = 10  # samples: phones write the last value of an earlier use first; that is cut off without a word
TICKS = 1.8  # usual steps of the clock that a gap must be longer than: phones write stamps in steps of some samples
SURE = 6.0  # robust standard deviations of the stamps about an even clock
STOP_SHARE = 0.2


def find_stamp_gaps(recording: Recording) -> list[tuple[int, float]]:
    """Index of the first sample after each gap, and how many seconds are missing.

    Stamps that come late in a batch catch up again; a gap is a step of the clock against the count of samples that stays.
    """
    stamps = recording.stamp_s
    if stamps is None or stamps.size < 4 * NEAR:
        return []
    apart = np.diff(stamps)
    usual = float(np.median(_local_interval(stamps)))
    found: list[tuple[int, float]] = []
    tick = float(np.median(apart[apart > 0])) if (apart > 0).any() else usual
    for k in np.flatnonzero(apart > max(LEAST_LOST * usual, TICKS * tick)) + 1:
        before, after = slice(max(k - NEAR, 0), k), slice(k, min(k + NEAR, stamps.size))
        count = np.arange(stamps.size) * usual
        left, right = stamps[before] - count[before], stamps[after] - count[after]
        lost = float(np.median(right) - np.median(left))
        scatter = 1.4826 * float(np.median(np.abs(left - np.median(left))) + np.median(np.abs(right - np.median(right))))
        sure = lost > max(LEAST_LOST * usual, SURE * scatter / np.sqrt(min(left.size, right.size)), scatter)
        if sure and (not found or k - found[-1][0] > NEAR // 2):
            found.append((int(k), lost))
    return found


def check_stamps(recording: Recording) -> list[Problem]:
    """Gaps and backward jumps of the time stamps."""
    stamps = recording.stamp_s
    if stamps is None or stamps.size < 2:
        return []
    found = []
    back = int(np.count_nonzero(np.diff(stamps) < 0))
    if back:
        times = "once" if back == 1 else f"{back} times"
        detail = f"The time stamps run backwards {times}: lines were shuffled or two logs were joined. Export the log again."
        found.append(Problem("stamps", "warning", detail))
    gaps = [(k, lost) for k, lost in find_stamp_gaps(recording) if STALE <= k < stamps.size - STALE]
    if gaps:
        lost = sum(seconds for _, seconds in gaps)
        where = float(stamps[gaps[0][0]] - stamps[0])
        many = "a gap" if len(gaps) == 1 else f"{len(gaps)} gaps"
        text = f"The log has {many}, {lost:.2f} s in all, the first at {where:.1f} s: the sensor ran on while nothing was written. "
        if lost > STOP_SHARE * float(stamps[-1] - stamps[0]):
            found.append(Problem("gap", "stop", text + "Too little is left between them; keep the screen on and record again."))
        else:
            found.append(Problem("gap", "warning", text + "Stretches are looked at one by one; keep the screen on for the next recording."))
    return found


def _local_interval(stamps: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Sampling interval over stretches of NEAR stamps."""
    return (stamps[NEAR:] - stamps[:-NEAR]) / NEAR


def stamp_spans(recording: Recording) -> list[Span]:
    """Places where a stretch must end: (sample before, sample after) each gap."""
    return [(k - 1, k + 1) for k, _ in find_stamp_gaps(recording)]
