"""A round: one take in which each rotor of a craft runs in turn, twice, split by what is heard.

First the background, then a knock on the sensor, then the rotors in the order announced, with quiet between. Levels in octave bands are
taken against the background. How far above it a rotor counts as running is not set beforehand: the right number of runs must come out over
the widest range of that level.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy import fft
from scipy.ndimage import find_objects, label, median_filter

from vibekit.errors import UnreadableError, UsageError
from vibekit.recording import Recording

FRAME_S = 0.05
AT_ONCE = 512  # frames: a take of many minutes needs no more memory than a short one
LOWEST_HZ, TOP = 40.0, 0.45  # of the bands, in Hz and as part of the rate
QUIET_SHARE = 0.1  # quantile of each band's level over the take that is its background: longer than that nothing runs
SMOOTH = 9  # frames: what is shorter than half of it is a knock
LEAST_RUN_S, LEAST_GAP_S = 1.5, 0.7  # shorter ones are handling, shorter pauses a motor that stutters
THRESHOLDS_DB = np.arange(1.5, 30.0, 0.25)
CLEAR_DB = 1.0  # range of thresholds over which the right number must come out
STEADY_DB = 3.0  # below a run's usual level it still rises or falls already
EDGE_S = 0.2  # left out at both ends of the steady part
END_S = 8.0  # longer than a pause between two rotors
DEAD_DB = -250.0  # below it a frame holds zeros only, as where samples were lost: it tells nothing of the background
KNOCK_DB, KNOCK_FRAME_S, KNOCK_LONGEST_S = 15.0, 0.005, 0.3
Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch in which a motor ran.

    start_s, stop_s: from first to last sound; steady_s: (from, to) at its speed; levels_db: (bands,) over the background in that part
    before_db: how much louder than the background at the opening it was at its quietest since the run before, in dB
    """

    start_s: float
    stop_s: float
    steady_s: tuple[float, float]
    levels_db: Array
    before_db: float


@dataclass(frozen=True, slots=True)
class Split:
    """What is heard in a take of a round.

    background_s: (from, to) of the longest quiet stretch before the first run; knocks_s: when knocks were heard before it
    clear: as many runs as were announced came out over a wide range of thresholds; threshold_db: the one used
    """

    runs: tuple[Run, ...]
    background_s: tuple[float, float]
    knocks_s: tuple[float, ...]
    clear: bool
    threshold_db: float


def split_round(recording: Recording, expected: int) -> Split:
    """Find the runs in a take. expected: how many were announced.

    Raises UsageError when none are expected, UnreadableError when the take is too short, without vibration or silent.
    """
    if expected < 1:
        raise UsageError(f"{expected} runs are expected; name the rotors of the craft in their order")
    rows = recording.rows("vibration")
    size = max(round(FRAME_S * recording.rate_hz), 16)
    if not rows or recording.samples.shape[1] < 4 * SMOOTH * size:
        raise UnreadableError(f"the take holds {recording.duration_s:.1f} s of vibration; a round takes a minute or more")
    frame_s = size / recording.rate_hz
    levels = np.concatenate([_band_levels(recording.samples[row], recording.rate_hz, size) for row in rows], axis=1)
    live = levels.max(axis=1) > DEAD_DB
    if not live.any():
        raise UnreadableError("the take holds only zeros; see that the sensor is the one that records")
    over = levels - np.quantile(levels[live], QUIET_SHARE, axis=0)
    loud = median_filter(np.mean(np.maximum(over, 0.0), axis=1), SMOOTH, mode="nearest")
    spans, threshold, clear = _spans(loud, expected, frame_s)
    first = spans[0][0] if spans else len(levels)
    opening = levels[:first][live[:first]] if live[:first].any() else levels[live]
    rest = median_filter(np.mean(np.maximum(levels - np.median(opening, axis=0), 0.0), axis=1), SMOOTH, mode="nearest")
    runs = []
    before = 0
    for start, stop in spans:
        quiet = float(rest[before : max(start, before + 1)].min())
        steady = _steady(loud, start, stop, frame_s)
        middle = over[round(steady[0] / frame_s) : max(round(steady[1] / frame_s), round(steady[0] / frame_s) + 1)]
        runs.append(Run(start * frame_s, stop * frame_s, steady, np.median(middle, axis=0), quiet))
        before = stop
    background, knocks = _opening(recording, rows[0], runs[0].start_s if runs else recording.duration_s)
    return Split(tuple(runs), background, knocks, clear, threshold)


def is_over(recording: Recording, expected: int) -> bool:
    """Whether a take so far holds all runs that were announced, and END_S of quiet after the last."""
    try:
        split = split_round(recording, expected)
    except UnreadableError:
        return False
    return split.clear and len(split.runs) == expected and recording.duration_s - split.runs[-1].stop_s > END_S


def _band_levels(x: npt.NDArray[np.floating], rate_hz: float, size: int) -> Array:
    """(frames, bands) level of each octave band in dB."""
    count = len(x) // size
    frames = x[: count * size].reshape(count, size)
    hz = fft.rfftfreq(size, 1 / rate_hz)
    edges = LOWEST_HZ * 2.0 ** np.arange(int(np.log2(TOP * rate_hz / LOWEST_HZ)) + 1)
    bands = np.stack([(hz >= low) & (hz < high) for low, high in pairwise(edges)], axis=1).astype(np.float64)
    powers = []
    for first in range(0, count, AT_ONCE):
        some = frames[first : first + AT_ONCE].astype(np.float64)
        powers.append(np.abs(fft.rfft((some - some.mean(axis=1, keepdims=True)) * np.hanning(size), axis=1)) ** 2 @ bands)
    return 10 * np.log10(np.concatenate(powers) + np.finfo(np.float64).tiny)


def _spans(loud: Array, expected: int, frame_s: float) -> tuple[list[tuple[int, int]], float, bool]:
    """Runs as frames, the threshold, and whether the right number came out clearly; else those that come out most often."""
    found = [_above(loud, threshold, frame_s) for threshold in THRESHOLDS_DB]
    counts = np.array([len(spans) for spans in found])
    right = counts == expected
    wanted = right if right.any() else counts == np.bincount(counts[counts > 0]).argmax() if counts.any() else counts == 0
    ranges, _ = label(wanted)
    widest = max((place[0] for place in find_objects(ranges)), key=lambda place: place.stop - place.start)
    width_db = (widest.stop - widest.start) * float(THRESHOLDS_DB[1] - THRESHOLDS_DB[0])
    chosen = widest.start + (widest.stop - widest.start) // 3
    return found[chosen], float(THRESHOLDS_DB[chosen]), bool(right.any() and width_db >= CLEAR_DB)


def _above(loud: Array, threshold: float, frame_s: float) -> list[tuple[int, int]]:
    groups, _ = label(loud > threshold)
    spans: list[tuple[int, int]] = []
    for (place,) in find_objects(groups):
        if spans and (place.start - spans[-1][1]) * frame_s < LEAST_GAP_S:
            spans[-1] = (spans[-1][0], place.stop)
        else:
            spans.append((place.start, place.stop))
    return [(start, stop) for start, stop in spans if (stop - start) * frame_s >= LEAST_RUN_S]


def _steady(loud: Array, start: int, stop: int, frame_s: float) -> tuple[float, float]:
    """Where a run is at its usual level, in s."""
    at = np.flatnonzero(loud[start:stop] >= np.median(loud[start:stop]) - STEADY_DB)
    first, last = (start + int(at[0])) * frame_s + EDGE_S, (start + int(at[-1]) + 1) * frame_s - EDGE_S
    return (first, last) if last > first else (start * frame_s, stop * frame_s)


def _opening(recording: Recording, row: int, until_s: float) -> tuple[tuple[float, float], tuple[float, ...]]:
    """Longest stretch without a knock before the first run, and when there were knocks."""
    size = max(round(KNOCK_FRAME_S * recording.rate_hz), 4)
    x = recording.samples[row, : int(until_s * recording.rate_hz)].astype(np.float64)
    count = len(x) // size
    if count < 2:
        return (0.0, until_s), ()
    peak = np.abs(x - np.median(x))[: count * size].reshape(count, size).max(axis=1)
    groups, _ = label(peak > np.median(peak) * 10 ** (KNOCK_DB / 20))
    places = [place[0] for place in find_objects(groups)]
    step = size / recording.rate_hz
    knocks = [place.start * step for place in places if (place.stop - place.start) * step <= KNOCK_LONGEST_S]
    apart = [knock for k, knock in enumerate(knocks) if k == 0 or knock - knocks[k - 1] > KNOCK_LONGEST_S]
    ends = [0.0, *apart, until_s]
    longest = max(pairwise(ends), key=lambda pair: pair[1] - pair[0])
    return longest, tuple(apart)
