"""A coarse speed sharpened: its orders' phases followed in blocks as short as their neighbours allow."""

import math
from collections.abc import Callable

import numpy as np
import numpy.typing as npt

from vibekit.comb import Comb
from vibekit.frames import Frames
from vibekit.lines import Index, Lines
from vibekit.phase import Phase, follow_phase
from vibekit.ridge import ridge
from vibekit.track import Track
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
CLEAR = 0.02  # chance of a line as high, below which an order is followed
FOLLOWED = 10  # orders followed at most, the lowest: other lines come close to higher ones
REACH = 0.03  # of the speed: how far it is sought about a comb
TURNING_COST = 0.02  # of a grid step of a twentieth of a percent between frames
SHORTEST_S, LONGEST_S = 0.25, 4.0  # blocks whose phase is followed
HALVES = 2, 4  # parts of the shortest, tried while they hold a shaft that moves too much within longer ones
LEAST = 0.01  # of the information, below which the highest orders are not worth following
FEW_TURNS = 2  # of the shortest blocks: whole orders then lie on zeros of each other's window
SHARE = 0.1  # of the information, below which what is left of the orders is not followed
STILL = 0.3  # turns by which a middle order may drift within what a block is longer than the shortest
COHERENT = 0.5, 0.9  # least and plain coherence of the best order with the angle followed
AS_GOOD = 0.9  # of the coherence of longer blocks, apart from their noise, that the shortest must reach
STRAYED = 2.0  # widths of a line at a typical order, beyond which the speeds followed have nothing to do with the comb's lines
GAIN = 0.1  # of coherence that a ridge must bring, having more freedom
# standard deviation of the frequency of a line as high as the noise, in widths (Rife & Boorstyn 1974), where no phase is followed
MISSED = 0.6


def follow(
    transforms: list[Transform], comb: Comb, lines: Lines, track: Track, short_frames: Callable[[], Frames | None]
) -> tuple[Track, float]:
    """Sharpen a track by the phases of its comb's clear lines; where they cannot be followed, by a ridge close about it.

    transforms: of the channels; lines: those in which the comb was found; short_frames: made only when a ridge is needed
    Returns the track and the standard deviation of its mean speed, Hz; what cannot be followed moves within the width of its lines.
    """
    orders = np.flatnonzero(comb.chance < CLEAR)[:FOLLOWED] + 1
    if not orders.size:
        return track, MISSED * lines.width_hz
    weight = orders**2 * 10 ** (lines.height_db[comb.found[orders - 1]] / 10)  # Fisher information of each, but for a common factor
    worth = slice(int(np.flatnonzero(weight > LEAST * weight.sum())[-1]) + 1)
    orders, weight = orders[worth], weight[worth]
    best, sd, coherence = _phases(transforms, lines, track, orders, weight, comb.hz)
    rough = track, MISSED * lines.width_hz / max(math.sqrt(float(weight.sum())), 1.0)
    moving = short_frames() if coherence < COHERENT[1] and np.ptp(track.hz) == 0 else None
    if moving and moving.time_s.size > 3:
        grid = comb.hz * np.exp(np.linspace(-REACH, REACH, 121))
        path = ridge(moving, grid, dict.fromkeys(orders.tolist(), 1.0), TURNING_COST)
        other = _phases(transforms, lines, path, orders, weight, comb.hz)
        if other[2] > coherence + GAIN:
            best, sd, coherence = other
            rough = path, 0.3 * moving.width_hz
    off = STRAYED * lines.width_hz * float(weight.sum()) / float(weight @ orders)
    strayed = not best.hz.min() - off < comb.hz < best.hz.max() + off
    if coherence >= COHERENT[0] and not strayed:
        return best, sd
    return rough[0], math.hypot(rough[1], MISSED * off / STRAYED, best.mean_hz - comb.hz if coherence >= COHERENT[0] else 0.0)


def _phases(
    transforms: list[Transform], lines: Lines, track: Track, orders: Index, weight: Array, comb_hz: float
) -> tuple[Track, float, float]:
    """The track corrected by the phases of its orders, the standard deviation of its mean, and the best order's coherence.

    Blocks as short as the lines allow: first those that hold a shaft that moves, then longer ones that part close lines; shorter ones where
    no longer one holds more, as phases slip where the speed moves too much within a block. Along the track found so, blocks of few turns
    then tell what the speed does within the others.
    """
    mean, fastest = track.mean_hz, float(track.hz.max())
    bands = [transform.low_band(1.2 * float(orders[-1]) * fastest) for transform in transforms]
    rate = bands[0][1]
    part = slice(int(track.time_s[0] * rate), int(track.time_s[-1] * rate) + 1)
    signals = [band[part] for band, _ in bands]
    start, end = part.start / rate, (part.start + signals[0].size) / rate
    coarse = track.turns(start + np.arange(signals[0].size) / rate)
    best, apart, taken = (track, 0.0, 0.0), 0.0, 0.0

    def kept(block: float) -> Index:
        """Orders with no line but their own nearby, or none under hum where that leaves one; none where little information is left."""
        frequency = np.asarray(orders * comb_hz)
        free = ~lines.is_under_hum(frequency, 2 / block)
        alone = free & lines.is_alone(frequency, 2 / block)
        chosen = alone if alone.sum() > 1 else free
        return np.asarray(orders[chosen] if weight[chosen].sum() >= SHARE * weight.sum() else orders[:0])

    def corrected(along: Track, phase: Phase) -> tuple[Track, float, float]:
        time = start + phase.time_s
        turns = along.turns(time) + phase.turns
        (first, last), (before, after) = np.diff(turns)[[0, -1]] / np.diff(time)[[0, -1]], (time[0] - start, end - time[-1])
        whole = np.concatenate(([turns[0] - first * before], turns, [turns[-1] + last * after]))  # beyond, it goes on as it is
        return Track.through(np.concatenate(([start], time, [end])), whole), phase.whole_sd_hz, phase.coherence

    longest = max(min(LONGEST_S, (end - start) / 5), SHORTEST_S)
    for block in [*np.unique([SHORTEST_S, math.sqrt(longest * SHORTEST_S), longest]).tolist(), *(SHORTEST_S / part for part in HALVES)]:
        block = max(block, 4 / mean)
        if block < SHORTEST_S and taken != 2 * block:
            break
        used = kept(block).tolist()
        if not used:
            continue
        reach = min(0.45 / (block * math.gcd(*used)), REACH * mean)  # beyond half a turn a block, phases repeat
        phase = follow_phase(signals, rate, coarse, used, block, reach)
        drift = float(np.median(used)) * phase.step_sd_hz * (block - SHORTEST_S) if phase else 0.0
        if phase and phase.coherence > best[2] and drift < STILL:
            best, apart, taken = corrected(track, phase), phase.apart_from_noise, block
        if best[2] > COHERENT[1]:
            break
    finest = FEW_TURNS / mean
    used = kept(2 * finest).tolist()
    if not used or best[2] <= COHERENT[0]:
        return best
    far = best[1] * (end - start) * used[-1] > STILL  # at the ends the shortest blocks' phases would be lost: a step between comes first
    for block in [math.sqrt(SHORTEST_S * finest), finest][not far :]:
        angle = best[0].turns(start + np.arange(signals[0].size) / rate)
        phase = follow_phase(signals, rate, angle, used, block, 0.0)
        if phase and phase.apart_from_noise > AS_GOOD * apart:  # short blocks hold more noise
            finer = corrected(best[0], phase)
            if np.abs(finer[0].hz / best[0].at(finer[0].time_s) - 1).max() < REACH:  # no rotor leaps within a turn
                best = *finer[:2], best[2]
    return best
