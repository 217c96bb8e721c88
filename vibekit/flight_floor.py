"""The noise beneath a flight's lines, which fill whole bands: rotors of one craft turn at unlike speeds, and each wanders."""

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from vibekit.transform import running_floor

Array = npt.NDArray[np.float64]
NARROW_HZ, LEAST = 60.0, 8  # over which the floor is the median: in Hz, and in bins at least
# of the frequency: of a block half as wide as it rotors 7 % either side of their mean leave more than a quarter free up to 4x
WIDE, FREE = 0.5, 0.25
HILL = 4.0  # times the noise about it: what stands higher than a hill of noise is lines (common practice, no source)


def floor_between(power: Array, step_hz: float, low_hz: float = 0.0) -> Array:
    """Power of the noise (n,) under powers (n,), `step_hz` apart from `low_hz` on.

    The median over narrow blocks, which lines may fill, and so no more than HILL times the lower quartile over wide ones, joined by
    straight lines.
    """
    n, edges = len(power), [0]
    while edges[-1] < n:
        edges.append(edges[-1] + max(round(max(WIDE * (low_hz + edges[-1] * step_hz), NARROW_HZ) / step_hz), LEAST))
    edges[-1] = n
    if len(edges) > 2 and edges[-1] - edges[-2] < (edges[-2] - edges[-3]) / 2:
        del edges[-2]
    beneath = [float(np.quantile(power[a:b], FREE)) for a, b in pairwise(edges)]
    centres = (np.array(edges[:-1]) + np.array(edges[1:]) - 1) / 2
    narrow = running_floor(power, max(int(NARROW_HZ / step_hz), LEAST))
    return np.minimum(narrow, HILL * np.interp(np.arange(n), centres, beneath))
