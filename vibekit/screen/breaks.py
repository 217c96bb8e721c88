"""Breaks: places where the samples do something that no converter lets through.

A splice over lost samples, or the corner of a top cut flat, is made after the converter's low-pass filter, so it has power right up to
half the rate, where that filter leaves nothing. A knock or a ball striking a defect passes the filter like everything else, and the ratio
of the topmost band to the band below stays as it always is. Where a record has no such quiet top band, or more breaks than drop-outs can
explain, none is claimed.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from numpy.lib.stride_tricks import sliding_window_view

from vibekit.median import median
from vibekit.screen.overview import Floats, Overview
from vibekit.screen.steady import Span

FRAME = 256
TOP, BELOW = 0.96, (0.6, 0.85)  # parts of half the rate
QUIET = 10**-1.5  # the top band must lie 15 dB under the band below
SOME, SURELY = 8, 1.25  # every so many frames tell beforehand that it does not: their median scatters by a few per cent at most
BREAK_DB = 16.0  # rise of the top band, itself and against the band below: untouched open records stay below 14.4
MOST_PER_S = 5.0
CHUNK = 256  # frames transformed at once: they stay in the cache
LEAST_FRAMES = 64
SEVERAL = 8
RANK, RANK_DEVIATION, SURE = 2 / 3, 0.236, 2.5  # larger of two uniform ranks: its mean and standard deviation


@dataclass(frozen=True, slots=True)
class Breaks:
    """Splices as (start, stop), FRAME samples or more each; corners: how many breaks sit on crests, as those of cut tops do."""

    jumps: tuple[Span, ...] = ()
    corners: int = 0

    @classmethod
    def of(cls, overview: Overview) -> "Breaks":
        """Find the breaks of a channel."""
        if overview.x.size < LEAST_FRAMES * FRAME:
            return cls()
        frames = sliding_window_view(overview.x, FRAME)[:: FRAME // 2]
        if len(frames) > LEAST_FRAMES * SOME and _loudness(*_bands(frames[::SOME], overview.mean)) > SURELY * QUIET:
            return cls()
        top, below = _bands(frames, overview.mean)
        usual, ratio = median(top), _loudness(top, below)
        if usual <= 0 or ratio > QUIET:
            return cls()
        rise = 10 ** (BREAK_DB / 10)
        at = np.flatnonzero((top > rise * usual) & (top > rise * ratio * below))
        spans: list[Span] = []
        for start in (at * FRAME // 2).tolist():
            if spans and start <= spans[-1][1]:
                spans[-1] = (spans[-1][0], start + FRAME)
            else:
                spans.append((start, start + FRAME))
        if len(at) >= SEVERAL:
            high, low = np.sort(frames[::8].max(axis=1)), np.sort(-frames[::8].min(axis=1))
            rank = np.maximum(np.searchsorted(high, frames[at].max(axis=1)), np.searchsorted(low, -frames[at].min(axis=1))) / high.size
            if rank.mean() > RANK + SURE * RANK_DEVIATION / np.sqrt(len(at)):  # splices lie anywhere, corners on the highest crests
                return cls(corners=len(spans))
        return cls(tuple(spans)) if len(spans) <= max(2.0, MOST_PER_S * overview.seconds) else cls()


def _loudness(top: Floats, below: Floats) -> float:
    """How loud the topmost band usually is against the band below, in power."""
    return float(median(top / np.maximum(below, np.finfo(np.float32).tiny)))


def _bands(frames: npt.NDArray[np.floating], mean: float) -> tuple[Floats, Floats]:
    """Power of Hann-weighted frames about a mean in the topmost band and in the band below."""
    half = FRAME // 2
    window = np.hanning(FRAME + 2)[1:-1].astype(frames.dtype)
    found = []
    for at in range(0, len(frames), CHUNK):
        part = frames[at : at + CHUNK] - frames.dtype.type(mean)
        part *= window
        bins = sfft.rfft(part, axis=1)
        bands = bins[:, int(TOP * half) :], bins[:, int(BELOW[0] * half) : int(BELOW[1] * half)]
        found.append([np.einsum("ij,ij->i", band.view(frames.dtype), band.view(frames.dtype)) / band.shape[1] for band in bands])
    top, below = np.concatenate(found, axis=1)
    return top, below
