"""A rotor spun by hand, heard: its speed against time from the tone that cogging makes, flick after flick."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter

from vibekit.frames import frames_of
from vibekit.median import MAD_TO_SD
from vibekit.parabola import held_vertex
from vibekit.settings import Settings
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
Grey = npt.NDArray[np.float32]
SLOWEST_HZ, FASTEST_HZ = 0.5, 50.0  # a finger gives 600 to 2 000 rpm; below some 75 rpm cogging catches a small motor
TRUSTED_HZ = 1.75  # below, the rotor limps from tooth to tooth and its speed is no longer that of friction alone
FRAMES_S = ((0.064, 40.0), (0.032, 80.0), (0.016, 160.0), (0.008, 400.0))  # length of a frame and the slowing, Hz/s, it can follow
UNBALANCE_HZ = 60.0  # below lie 1x and the sway of the stand, which any low order would fit
LOUDEST = 14.0  # log of the power over the floor above which a line counts no more
SILENT = 0.9  # taken from each frame's score: noise alone then never pays for a path
FLICK = 15.0  # score that a path must bring to be one
LEAST_FRAMES = 8
LEAST_SCORE = 1.5  # a second: fainter than this a path may lie at a multiple of the speed
LONGER = 1.8  # times the turn before: the rotor has stood in between
FALLS = 0.6  # of its first speed to which a coast-down comes, or it is none
FIRST_HZ = 4.0  # it begins at least as fast
NEAR_S = 0.1  # after the fastest point, in which a finger may still touch
START = 6  # first points after that, of which some may still be a finger's
ORDER_WEIGHT = 0.5  # of the orders at which unlike magnets or teeth cog, against 1 for the least common multiple


@dataclass(frozen=True, slots=True)
class Spin:
    """One coast-down as heard: times after the first sample and speeds, (n,) each; score: log of power over noise, over time."""

    time_s: Array
    hz: Array
    score: float


def find_spins(transforms: list[Transform], settings: Settings) -> tuple[Spin, ...]:
    """Coast-downs in the order of time, none when nothing slows down as a rotor does.

    The tone of cogging lies at the least common multiple of poles and slots (Bianchi & Bolognani, IEEE Trans. Ind. Appl. 38, 2002):
    none without these, and none where the sensor is too slow for that tone.
    """
    orders = cogging_orders(settings)
    if not orders or not is_fast_enough(transforms[0].rate_hz, settings):
        return ()
    each = [_follow(transforms, orders, seconds, slowing) for seconds, slowing in FRAMES_S]
    return tuple(max(each, key=lambda spins: sum(s.score for s in spins)))


def is_fast_enough(rate_hz: float, settings: Settings) -> bool:
    """The sensor can hear the cogging of a rotor at FIRST_HZ."""
    if not (settings.poles and settings.slots):
        return False
    return math.lcm(settings.poles, settings.slots) * FIRST_HZ < 0.45 * rate_hz


def cogging_orders(settings: Settings) -> dict[int, float]:
    """Orders of cogging and their weight: its own, twice it, those of unlike magnets and teeth; empty while poles or slots are unknown."""
    if not (settings.poles and settings.slots):
        return {}
    whole = math.lcm(settings.poles, settings.slots)
    unlike = {settings.poles, settings.slots, 2 * settings.poles, 2 * settings.slots, 2 * whole}
    return dict.fromkeys(sorted(unlike - {whole}), ORDER_WEIGHT) | {whole: 1.0}


def spins_of_pulses(time_s: Array) -> tuple[Spin, ...]:
    """Coast-downs from tacho edges (n,), one a turn: runs in which each turn takes as long as the one before or longer."""
    turn = np.diff(time_s)
    if turn.size < LEAST_FRAMES:
        return ()
    ends = np.flatnonzero((turn[1:] < 0.97 * turn[:-1]) | (turn[1:] > LONGER * turn[:-1])) + 1
    found = []
    for run in np.split(np.arange(turn.size), ends):
        middle, hz = (time_s[run] + time_s[run + 1]) / 2, 1 / turn[run]
        spin = _coast(middle, hz, np.ones(run.size, bool), math.inf)
        found += [spin] if spin else []
    return tuple(found)


def _follow(transforms: list[Transform], orders: dict[int, float], seconds: float, slowing: float) -> list[Spin]:
    """Coast-downs found with frames of one length."""
    main = max(orders, key=lambda order: orders[order])
    top = min(0.45 * transforms[0].rate_hz, 2 * main * FASTEST_HZ)
    bands = [transform.low_band(top) for transform in transforms]
    frames = frames_of([band for band, _ in bands], bands[0][1], top, seconds)
    if frames is None or len(frames.excess) < LEAST_FRAMES:
        return []
    usual = np.median(frames.excess, axis=0) / math.log(2)  # of each bin over time: a falling tone passes through, a steady one stays
    excess = frames.excess / np.maximum(usual, 1e-12).astype(np.float32)
    excess /= np.maximum(np.median(excess, axis=1, keepdims=True) / math.log(2), 1).astype(np.float32)  # a knock is everywhere at once
    step = frames.step_hz / main
    grid = np.arange(SLOWEST_HZ, min(FASTEST_HZ, top / main), step)
    score = _score(excess, grid, orders, frames.step_hz)
    hop = float(frames.time_s[1] - frames.time_s[0])
    paths = _paths(score - np.float32(SILENT), max(math.ceil(slowing * hop / step), 2))
    found = []
    for first, columns in paths:
        rows = first + np.arange(columns.size)
        hz, heard = _sharpened(excess, rows, grid[columns], orders, main, frames.step_hz)
        spin = _coast(frames.time_s[rows], hz, heard, hop * float(np.sum(score[rows, columns] - SILENT)))
        if spin is not None:
            found.append(spin)
    return found


def _score(excess: Grey, grid: Array, orders: dict[int, float], step_hz: float) -> Grey:
    """(frames, speeds) sum over orders of the log of power over noise, capped; 0 is typical of noise."""
    loudness = np.minimum(np.log1p(excess), np.float32(LOUDEST))
    loudness -= np.median(loudness)
    score = np.zeros((len(excess), grid.size), np.float32)
    for order, weight in orders.items():
        column = np.rint(order * grid / step_hz).astype(np.intp)
        usable = (order * grid > UNBALANCE_HZ) & (column < loudness.shape[1])
        score[:, usable] += np.float32(weight) * loudness[:, column[usable]]
    return score


def _paths(score: Grey, reach: int) -> list[tuple[int, npt.NDArray[np.intp]]]:
    """Paths that never rise by more than a step nor fall by more than `reach` from frame to frame, where they pay for FLICK.

    score: (frames, m); gives the first frame and the columns of each. Viterbi's algorithm with a state of rest.
    """
    count, m = score.shape
    total, rest = np.empty((count, m), np.float32), np.zeros(count + 1, np.float32)
    before = np.full(m, -np.inf, np.float32)
    for i in range(count):
        from_above = maximum_filter1d(before, reach + 2, mode="constant", cval=-np.inf, origin=-((reach + 2) // 2) + 1)
        total[i] = score[i] + np.maximum(from_above, rest[i] - np.float32(FLICK))
        rest[i + 1] = max(rest[i], total[i].max())
        before = total[i]
    found = []
    i = count
    while i > 0:
        if rest[i] <= rest[i - 1]:
            i -= 1
            continue
        at, columns = int(total[i - 1].argmax()), []
        for row in range(i - 1, -1, -1):
            columns.append(at)
            near = slice(max(at - 1, 0), at + reach + 1)
            previous = total[row - 1, near] if row else np.full(1, -np.inf, np.float32)
            i = row
            if previous.max() <= rest[row] - FLICK:
                break
            at = near.start + int(previous.argmax())
        found.append((i, np.array(columns[::-1], np.intp)))
    return found[::-1]


def _sharpened(
    excess: Grey, rows: npt.NDArray[np.intp], hz: Array, orders: dict[int, float], main: int, step_hz: float
) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Speed in each frame from the tops of parabolas through the lines' peaks, and whether any line is heard there at all."""
    weight, total = np.zeros(hz.size), np.zeros(hz.size)
    for order in (k for k in orders if k >= main):
        at = np.clip(np.rint(order * hz / step_hz).astype(np.intp), 2, excess.shape[1] - 3)
        near = excess[rows[:, None], at[:, None] + np.arange(-2, 3)]
        at = at + near.argmax(axis=1) - 2
        at = np.clip(at, 1, excess.shape[1] - 2)
        left, top, right = (np.log(np.maximum(excess[rows, at + d], 1e-6)).astype(np.float64) for d in (-1, 0, 1))
        peak = (at + held_vertex(left, top, right, most=0.5)) * step_hz / order
        clear = np.where(top > math.log(8.0), np.exp(np.minimum(top, 7.0)) * order**2, 0.0)
        weight += clear
        total += clear * peak
    heard = weight > 0
    return np.where(heard, total / np.maximum(weight, 1e-300), hz), heard


def _coast(time: Array, hz: Array, heard: npt.NDArray[np.bool_], score: float) -> Spin | None:
    """A path as a coast-down: from where the finger is off, points that no line supports and those off their neighbours left out."""
    time, hz = time[heard], hz[heard]
    if hz.size < LEAST_FRAMES:
        return None
    smooth = median_filter(hz, 7, mode="nearest")
    off = np.abs(hz - smooth)
    slope = np.abs(np.gradient(smooth))
    good = off <= 5 * np.maximum(MAD_TO_SD * np.median(off), 1e-3 * smooth) + 3 * slope
    top = int(np.argmax(np.where(good, smooth, 0)))
    good &= time > time[top] + NEAR_S
    slow = np.flatnonzero(smooth < TRUSTED_HZ)
    good[slow[0] if slow.size else hz.size :] = False
    time, hz = time[good], hz[good]
    if hz.size < LEAST_FRAMES:
        return None
    early = hz.size // 4
    bend = np.polyfit(time[early:] - time[0], hz[early:], 2)
    off = np.abs(hz - np.polyval(bend, time - time[0]))
    step = np.diff(time)
    fingered = off[:early] > 5 * MAD_TO_SD * np.median(off[early:]) + 0.03 * hz[:early]
    fingered[:START] |= step[:early][:START] > 1.5 * np.median(step)  # what a gap parts from the rest was heard with the finger on
    first = int(np.flatnonzero(fingered)[-1]) + 1 if fingered.any() else 0
    time, hz = time[first:], hz[first:]
    faint = score < LEAST_SCORE * (time[-1] - time[0])
    if hz.size < LEAST_FRAMES or faint or hz[0] < FIRST_HZ or np.median(hz[-3:]) > FALLS * hz[0]:
        return None
    return Spin(time, hz, score)
