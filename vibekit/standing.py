"""How a motor's levels stand to those of the other motors: the rows of the plot that shows what stands out."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.change import CHANGES, changed, pair_up
from vibekit.reading import Reading
from vibekit.repeatability import Repeatability
from vibekit.statistics import SUSPECT

OUTLIER = SUSPECT / 0.6745  # median absolute deviations: modified z-score of Iglewicz & Hoaglin (1993)


@dataclass(frozen=True, slots=True)
class Standing:
    """One level against the middle of the same level of the other motors, all in dB.

    difference, u95: this motor's; half_band: half width of the robust band of the others, 0 with fewer than three; others: each of theirs
    before: this motor's own baseline, None without one
    """

    name: str
    difference: float
    u95: float
    half_band: float
    others: tuple[float, ...]
    before: float | None


def standings(
    reading: Reading, others: Sequence[Reading], repeatability: Repeatability, baselines: Sequence[Reading] = ()
) -> tuple[Standing, ...]:
    """Compare with the other motors each quantity that `vibekit.change` compares; the numbers are those that the evidence quotes."""
    beside, past = pair_up((reading,), others), pair_up((reading,), baselines)
    each = [pair_up((reading,), (other,)) for other in others]
    rows = []
    for name in CHANGES:
        moved = changed(name, beside, repeatability, peers=True)
        if moved is None:
            continue
        apart = np.array([moved.delta - one.delta for pair in each if (one := changed(name, pair, repeatability)) is not None])
        around = tuple((apart - np.median(apart)).tolist())  # each pair has its own noise and gain, so the middle is not zero by itself
        since = changed(name, past, repeatability)
        before = None if since is None else moved.delta - since.delta
        half = OUTLIER * float(np.median(np.abs(around))) if len(around) > 2 else 0.0
        rows.append(Standing(name, moved.delta, moved.u95, half, around, before))
    return tuple(rows)
