"""Flat tops: more samples at the end of their range than a free signal puts there."""

import numpy as np
from scipy.special import gammainc

from vibekit.median import median
from vibekit.screen.overview import Floats, Overview

RUN = 3  # samples in a row at full scale
SMEARS = (0.0, 0.001, 0.003, 0.01, 0.03)  # parts of the range over which a filter may have spread a flat top
SLICES = 20
PILE = 10.0  # times as many samples in the top slice as in the mean of the 20 below: a pure sine has 5.6, every other shape less
UNLIKELY = 1e-6  # chance of such a pile by scatter alone (Poisson)
LEAST_STEPS = 4.0  # standard deviation in quantisation steps below which every value is a pile
USUAL = 0.999  # part of the samples
SOME = 200_000  # samples that show a smeared top well enough
LONELY_RATE = 1000.0  # below, a struck sensor goes to its end for one sample; above, for several in a row


def flat_shares(x: Floats, overview: Overview, full_scale: float | None) -> tuple[float, float]:
    """Shares of the samples `x` in flat tops and flat bottoms; 0 where the signal is free.

    overview: of the channel that `x` is part of; full_scale: largest magnitude that the file holds, None when not known
    A top that a lossy codec smeared over more than 3 % of the range is not seen.
    """
    top, bottom = (_flat_share(side, overview, full_scale) for side in (x, -x))
    return top, bottom


def at_full_scale(x: Floats, step: float, full_scale: float) -> int:
    """Samples that lie at full scale, 0 when there are nowhere RUN of them in a row: a free signal may touch it."""
    at = np.flatnonzero(x >= full_scale - 1.5 * step)
    if at.size < RUN:
        return 0
    length = np.diff(np.flatnonzero(np.concatenate(([True], np.diff(at) != 1, [True]))))
    return int(at.size) if length.max() >= RUN else 0


def _flat_share(x: Floats, overview: Overview, full_scale: float | None) -> float:
    step = overview.step
    if full_scale is not None:
        count = at_full_scale(x, step, full_scale)
        if count:
            return count / x.size
    some = x[:: max(x.size // SOME, 1)]
    middle, spread = float(median(some)), float(some.std())
    if spread < LEAST_STEPS * step or spread == 0:
        return 0.0
    place, top = USUAL * (some.size - 1), float(x.max())
    tail = np.partition(some, int(place))[int(place) :]  # numpy.quantile takes five times as long
    usual_top = float(tail[0] + (place % 1) * (tail[1:].min() - tail[0]))
    for smear in SMEARS:
        width = max(smear * (top - middle), 1.01 * step, 1e-7 * abs(top))
        ends = (top, usual_top) if smear and top - usual_top <= width else (top,)  # a filter overshoots a flat top a little
        for end in ends:
            share = _pile(x if smear < 0.01 else some, end, width)
            if share and (smear or overview.rate_hz < LONELY_RATE or _in_rows(x, end - width)):
                return share
    return 0.0


def _pile(x: Floats, end: float, width: float) -> float:
    """Share of samples from `width` below `end` upwards when they are too many for a distribution that thins out, else 0."""
    near = x[x >= end - (SLICES + 1) * width]
    edge = int(np.count_nonzero(near >= end - width))
    usual = (near.size - edge + 1) / SLICES
    many = edge >= max(RUN, PILE * usual) and gammainc(edge, usual) < UNLIKELY
    return edge / x.size if many else 0.0


def _in_rows(x: Floats, level: float) -> bool:
    """Whether two neighbours reach `level` anywhere."""
    return bool(np.any(np.diff(np.flatnonzero(x >= level)) == 1))
