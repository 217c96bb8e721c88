"""The rotors of a craft in flight, told apart: as many tracks as stand out of the sound, each with its speed.

All rotors turn at nearly one speed. At the multiples of the blade pass their lines lie further apart, and a comb over several orders tells
them from each other where one order cannot. The best path of a comb through the frames is a rotor; its lines are taken out and the next is
sought, until what is left is no better than combs of orders that do not belong together.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from vibekit.frames import PADDING, Frames, frames_of
from vibekit.hover import ROTORS_APART
from vibekit.ridge import trace
from vibekit.track import Track
from vibekit.transform import USED

Array = npt.NDArray[np.float64]
FRAME_S = 0.5
MOST = 8
ORDER_WEIGHT = {1: 1.0, 2: 1.0, 3: 0.8, 4: 0.6}  # of the multiples of blade pass; 1x weighs as the first of them
COST = 0.6  # of a grid step from frame to frame
MAIN_LOBE = 2.0  # half width of a line, in independent bins (Hann: Harris, Proc. IEEE 66 (1978) 51-83)
MISMATCHED = 3  # combs made of orders that do not belong together, to compare with
ABOVE = 0.5  # score over the mean of those that a rotor must reach; by simulation nothing but noise stays within 0.4
LOUDEST_SHARE = 0.25  # of the first rotor's score: less is what is left of the lines taken out
U95 = 0.1  # of a frame's resolution: half width of the interval of a rotor's mean speed, by simulation


def rotor_tracks(
    signals: Sequence[npt.NDArray[np.floating]], rate_hz: float, mean_hz: float, blades: int | None
) -> list[tuple[Track, float]]:
    """Track of each rotor that can be told apart and the half width of the 95 % interval of its mean, Hz; slowest first.

    signals: (n,) each, one a channel; mean_hz: of the rotors; blades: of each propeller, 2 where it is not known
    Rotors nearer to each other than a line is wide at the highest order that shows, about 1 Hz, count as one.
    """
    each = blades or 2
    wanted = {1: 1.0} | {multiple * each: weight for multiple, weight in ORDER_WEIGHT.items()}
    top = min(USED * rate_hz, (1 + ROTORS_APART) * mean_hz * max(wanted))
    weight = {order: share for order, share in wanted.items() if (1 + ROTORS_APART) * mean_hz * order <= top}
    frames = frames_of(list(signals), rate_hz, top, FRAME_S) if weight else None
    if frames is None or len(frames.excess) < 4:
        return []
    low, high = (1 - ROTORS_APART) * mean_hz, (1 + ROTORS_APART) * mean_hz
    grid = np.linspace(low, high, int((high - low) * 4 * max(weight) / frames.width_hz) + 3)
    rng = np.random.default_rng(0)
    paths: list[Array] = []
    first, left = 0.0, frames
    for _ in range(MOST):
        hz, score = trace(left, grid, weight, COST)
        found = float(score.mean())
        first = first or found
        mismatched = [_mismatched(left, weight, low, high, rng) for _ in range(MISMATCHED)]
        chance = float(np.mean([trace(each, grid, weight, COST)[1] for each in mismatched]))
        if found < max(chance + ABOVE, LOUDEST_SHARE * first):
            break
        paths.append(hz)
        left = _without(left, hz, weight)
    tracks = [_centred(frames, weight, hz, paths[:i] + paths[i + 1 :]) for i, hz in enumerate(paths)]
    return sorted(tracks, key=lambda track: track[0].mean_hz)


def _centred(frames: Frames, weight: dict[int, float], hz: Array, others: list[Array]) -> tuple[Track, float]:
    """A path moved to the middle of its lines at the orders that stand clear of the other rotors, and the interval of its mean.

    While the paths were found, lines that run into each other pushed them apart.
    """
    gap = min((float(np.median(np.abs(hz - other))) for other in others), default=np.inf)
    for other in others:
        frames = _without(frames, other, weight)
    clear = [order for order in weight if order * gap > 2 * MAIN_LOBE * frames.width_hz]
    orders = np.array(clear or [max(weight)])
    offset = np.linspace(-1, 1, 41) * min(gap, frames.width_hz) / 2
    column = np.rint(orders[:, None, None] * (hz + offset[:, None]) / frames.step_hz).astype(np.intp)  # (orders, offsets, frames)
    loudness = np.log1p(frames.excess[np.arange(hz.size), np.minimum(column, frames.excess.shape[1] - 1)])
    centre = offset[int(loudness.mean(axis=(0, 2)).argmax())]
    return Track(frames.time_s, hz + centre), U95 * frames.width_hz if clear else max(gap / 2, U95 * frames.width_hz)


def _mismatched(frames: Frames, weight: dict[int, float], low_hz: float, high_hz: float, rng: np.random.Generator) -> Frames:
    """Frames whose bands about each order are turned by amounts of their own: every line is there, no comb is."""
    excess = frames.excess.copy()
    for order in weight:
        band = slice(int(order * low_hz / frames.step_hz), int(order * high_hz / frames.step_hz))
        size = band.stop - band.start
        excess[:, band] = np.roll(frames.excess[:, band], int(rng.integers(size // 5, 4 * size // 5 + 1)), axis=1)
    return replace(frames, excess=excess)


def _without(frames: Frames, hz: Array, weight: dict[int, float]) -> Frames:
    """Frames with one rotor's lines put to the noise, as wide as the window makes them."""
    excess = frames.excess.copy()
    reach = MAIN_LOBE * PADDING
    for row, speed in zip(excess, hz, strict=True):
        for order in weight:
            at = order * speed / frames.step_hz
            row[max(int(np.floor(at - reach)), 0) : int(np.ceil(at + reach)) + 1] = 1
    return replace(frames, excess=excess)
