"""Flat tops: more samples at the end of their range than a free signal puts there."""

import numpy as np
from scipy.special import gammainc

from vibekit.screen.overview import Floats, Overview

RUN = 3  # samples in a row at full scale
SMEARS = (0.0, 0.001, 0.003, 0.01, 0.03)  # parts of the range over which a filter may have spread a flat top
FEW = 0.01  # smear from which some of the samples show it well enough
SLICES = 20
PILE = 10.0  # times as many samples in the top slice as in the mean of the 20 below: a pure sine has 5.6, every other shape less
UNLIKELY = 1e-6  # chance of such a pile by scatter alone (Poisson)
LEAST_STEPS = 4.0  # standard deviation in quantisation steps below which every value is a pile
USUAL = 0.999  # part of the samples
SOME = 200_000  # samples
LONELY_RATE = 1000.0  # below, a struck sensor goes to its end for one sample; above, for several in a row


def flat_shares(x: Floats, overview: Overview, full_scale: float | None) -> tuple[float, float]:
    """Shares of the samples `x` in flat tops and flat bottoms; 0 where the signal is free.

    overview: of the channel that `x` is part of; full_scale: largest magnitude that the file holds, None when not known
    A top that a lossy codec smeared over more than 3 % of the range is not seen.
    """
    some = x[:: max(x.size // SOME, 1)]
    some = np.partition(some, some.size // 2)
    middle = float(some[some.size // 2])
    return _flat_share(x, some, middle, overview, full_scale), _flat_share(-x, -some[::-1], -middle, overview, full_scale)


def at_full_scale(x: Floats, step: float, full_scale: float) -> int:
    """Samples that lie at full scale, 0 when there are nowhere RUN of them in a row: a free signal may touch it."""
    at = np.flatnonzero(x >= full_scale - 1.5 * step)
    if at.size < RUN:
        return 0
    length = np.diff(np.flatnonzero(np.concatenate(([True], np.diff(at) != 1, [True]))))
    return int(at.size) if length.max() >= RUN else 0


def _flat_share(x: Floats, some: Floats, middle: float, overview: Overview, full_scale: float | None) -> float:
    """Share of the samples x (n,) in flat tops. some: of them, the higher half last; middle: their median."""
    step, top = overview.step, float(x.max())
    if full_scale is not None and top >= full_scale - 1.5 * step:
        count = at_full_scale(x, step, full_scale)
        if count:
            return count / x.size
    spread, half = float(some.std()), some.size // 2
    if spread < LEAST_STEPS * step or spread == 0:
        return 0.0
    place = USUAL * (some.size - 1)
    tail = np.partition(some[half:], int(place) - half)[int(place) - half :]  # numpy.quantile takes five times as long
    usual_top = float(tail[0] + (place % 1) * (tail[1:].min() - tail[0]))
    widths = [max(smear * (top - middle), 1.01 * step, 1e-7 * abs(top)) for smear in SMEARS]
    every = max(width for smear, width in zip(SMEARS, widths, strict=True) if smear < FEW)
    at = np.flatnonzero(x >= top - (SLICES + 2) * every)
    high = x[at]
    for smear, width in zip(SMEARS, widths, strict=True):
        ends = (top, usual_top) if smear and top - usual_top <= width else (top,)  # a filter overshoots a flat top a little
        for end in ends:
            share = _pile(high, x.size, end, width) if smear < FEW else _pile(some, some.size, end, width)
            if share and (smear or overview.rate_hz < LONELY_RATE or np.any(np.diff(at[high >= end - width]) == 1)):
                return share
    return 0.0


def _pile(x: Floats, size: int, end: float, width: float) -> float:
    """Share of samples from `width` below `end` upwards when they are too many for a distribution that thins out, else 0.

    x: the highest of `size` samples
    """
    near = np.count_nonzero(x >= end - (SLICES + 1) * width)
    edge = np.count_nonzero(x >= end - width)
    usual = (near - edge + 1) / SLICES
    many = edge >= max(RUN, PILE * usual) and gammainc(edge, usual) < UNLIKELY
    return edge / size if many else 0.0
