"""How fast a level rises or falls since a part was last changed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

MONTH = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Trend:
    """slope, u95: dB in 30 days and half width of its 95 % interval; sittings: how many; days: from first to last."""

    slope: float
    u95: float
    sittings: int
    days: float

    @property
    def shown(self) -> bool:
        """The interval leaves out zero."""
        return abs(self.slope) > self.u95


def trend_of(
    moments: Sequence[datetime], values: npt.NDArray[np.float64], deviation: float, worth: float, noise: float = 0.0
) -> Trend | None:
    """Fit a straight line by least squares; None for fewer than two sittings.

    moments, values: (n,), dB; deviation: of one sitting, dB, as it is known beforehand, counting for `worth` observations
    noise: variance of one value from the measurement itself, dB squared
    The scatter about the line is learned from the sittings, starting from the prior (moderated t: Smyth, Stat. Appl. Genet. Mol. Biol. 3
    (2004) 3), so that two sittings have an interval, too, and a wide one.
    """
    count = len(moments)
    if count < 2:
        return None
    time = np.array([(moment - moments[0]) / MONTH for moment in moments])
    apart = time - time.mean()
    across = float(apart @ apart)
    slope = float(apart @ values) / across
    rest = values - values.mean() - slope * apart
    degrees = worth + count - 2
    variance = max((worth * deviation**2 + float(rest @ rest)) / degrees, noise)
    half = float(stdtrit(degrees, 0.975)) * math.sqrt(variance / across)
    return Trend(slope, half, count, (moments[-1] - moments[0]) / timedelta(days=1))
