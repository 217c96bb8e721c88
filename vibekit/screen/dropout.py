"""Drop-outs: stretches in which the samples stand still although the signal lives."""

from dataclasses import dataclass

import numpy as np

from vibekit.screen.overview import Overview
from vibekit.screen.steady import Span

LEAST_RUN = 8  # samples
CHANCE = 1e-4  # of one such run in a whole clean record, from how often neighbours are equal
STEPS = 5.0  # quantisation steps by which a dead run's end must jump: a rounded-off crest leaves it by one or two
SEVERAL, OUTWARD = 5, 0.8  # so many runs that are nearly all crests are cut tops; of drop-outs at most half lie so


@dataclass(frozen=True, slots=True)
class DeadRuns:
    """Runs of equal samples that a live signal cannot hold.

    gaps: drop-outs, zeros or the last value held, (start, stop), not at the ends; crests: number of runs that are cut tops instead
    """

    gaps: tuple[Span, ...] = ()
    crests: int = 0

    @classmethod
    def of(cls, overview: Overview) -> "DeadRuns":
        """Find the dead runs of a channel."""
        x, n = overview.x, overview.x.size
        same = np.flatnonzero(x[1:] == x[:-1])
        if same.size < LEAST_RUN - 1:
            return cls()
        cuts = np.flatnonzero(np.diff(same) != 1)
        start = same[np.concatenate(([0], cuts + 1))]
        stop = same[np.concatenate((cuts, [same.size - 1]))] + 2
        length = stop - start
        often = max(float(length[length < 32].sum()), 1.0) / n
        least = max(LEAST_RUN, 2 + np.log(n / CHANCE) / -np.log(min(often, 0.99)))
        long = (length >= least) & (start > 0) & (stop < n)
        start, stop = start[long], stop[long]
        value, before, after = x[start], x[start - 1], x[np.minimum(stop, n - 1)]
        live = np.maximum(np.abs(value - before), np.abs(after - value)) > STEPS * overview.step
        railed = (value >= overview.high - overview.step) | (value <= overview.low + overview.step)
        dead = live & ~railed
        upper = (value > overview.mean) & (value > before) & (value > after)
        lower = (value < overview.mean) & (value < before) & (value < after)
        outward = (upper | lower)[dead]
        if outward.size >= SEVERAL and outward.mean() > OUTWARD:
            return cls(crests=outward.size)
        return cls(tuple(zip(start[dead].tolist(), stop[dead].tolist(), strict=True)))
