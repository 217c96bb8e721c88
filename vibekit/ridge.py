"""The path of a comb through frames of a record: shaft speed against time to within a grid step, by dynamic programming."""

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from vibekit.frames import Frames
from vibekit.median import median
from vibekit.parabola import held_vertex
from vibekit.track import Track

Array = npt.NDArray[np.float64]
Grey = npt.NDArray[np.float32]
FURTHEST = 20  # grid steps from frame to frame at most
ORDER_WEIGHT = {1: 1.0, 2: 1.0, 3: 0.8, 4: 0.8, 5: 0.6, 6: 0.6}  # while nothing is known of the shaft's lines
SUPPORTED = 0.25  # part of the typical score below which an end of a ridge holds no shaft
LOUDEST = 6.0  # log of the power over the floor above which a line counts no more


def ridge(frames: Frames, grid_hz: Array, weight: dict[int, float], cost: float) -> Track:
    """Track of the best path, without ends where no shaft shows; else carried on to the ends of the record. Arguments as for `trace`."""
    hz, score = trace(frames, grid_hz, weight, cost)
    time = frames.time_s
    calm = np.convolve(score, np.ones(5) / 5, mode="same") if score.size > 10 else score
    held = np.flatnonzero(calm > SUPPORTED * np.median(calm))
    first, last = (held[0], held[-1]) if held.size > 3 else (0, score.size - 1)
    time, hz = time[first : last + 1], hz[first : last + 1]
    if first == 0:
        time, hz = np.concatenate(([0.0], time)), np.concatenate(([_carried_on(time[:4], hz[:4], 0.0)], hz))
    if last == score.size - 1:
        end = time[-1] + frames.time_s[0]
        time, hz = np.concatenate((time, [end])), np.concatenate((hz, [_carried_on(time[-4:], hz[-4:], end)]))
    return Track(time, hz)


def _carried_on(time: Array, hz: Array, at: float) -> float:
    """Speed at a time beside the given ones, by a straight line through them, held within a fifth of their mean."""
    mean = float(hz.mean())
    slope = float((time - time.mean()) @ hz / max(float((time - time.mean()) @ (time - time.mean())), 1e-12))
    return float(np.clip(mean + slope * (at - time.mean()), 0.8 * mean, 1.2 * mean))


def trace(frames: Frames, grid_hz: Array, weight: dict[int, float], cost: float) -> tuple[Array, Array]:
    """Speed in each frame and its score, (frames,) each: the path that gathers most of the comb and turns least.

    grid_hz: (m,) speeds, ascending; weight: of each order; cost: of one grid step from frame to frame
    """
    noise = median(frames.excess[:, ::8])[:, None]  # a shaft that speeds up grows louder; no frame counts for more
    loudness = np.minimum(np.log1p(frames.excess / np.maximum(noise, np.finfo(np.float32).tiny)), np.float32(LOUDEST))
    loudness -= loudness.mean()
    score = np.zeros((len(loudness), grid_hz.size), np.float32)
    for order, each in weight.items():
        column = np.rint(order * grid_hz / frames.step_hz).astype(np.intp)
        column = column[: np.searchsorted(column, loudness.shape[1])]
        score[:, : column.size] += np.float32(each) * loudness.take(column, axis=1)
    path = best_path(score, cost, FURTHEST)
    row = np.arange(len(score))
    inner = np.clip(path, 1, grid_hz.size - 2)
    between = inner + held_vertex(*(score[row, inner + d] for d in (-1, 0, 1)), most=1)
    return np.interp(between, np.arange(grid_hz.size), grid_hz), score[row, path].astype(np.float64)


def best_path(score: Grey, cost: float, reach: int) -> npt.NDArray[np.intp]:
    """Path (frames,) with the largest sum of score (frames, m) less `cost` times the steps moved, none longer than `reach`."""
    price = np.float32(cost) * np.abs(np.arange(-reach, reach + 1, dtype=np.float32))
    total = np.full((len(score), score.shape[1] + 2 * reach), -np.inf, np.float32)
    inner = total[:, reach : reach + score.shape[1]]
    before = sliding_window_view(total, score.shape[1], axis=1)  # (frames, steps moved, m)
    inner[0] = score[0]
    for i in range(1, len(score)):
        inner[i] = score[i] + (before[i - 1] - price[:, None]).max(axis=0)
    path = np.empty(len(score), np.intp)
    path[-1] = inner[-1].argmax()
    for i in range(len(score) - 2, -1, -1):
        near = total[i, path[i + 1] : path[i + 1] + price.size]
        path[i] = path[i + 1] - reach + (near - price).argmax()
    return path
