"""Mains hum beside the lines of a turning shaft."""

from collections.abc import Sequence

import numpy as np

from vibekit.levels import HANN_POWER, hann_windowed
from vibekit.lines import MAINS_HZ, MAINS_TOLERANCE
from vibekit.transform import Transform

BINS = 1  # either side of a line, that hold 97 % of it under a Hann window wherever it lies between two bins
LOW = 3  # multiples of mains: one of the lowest is there wherever higher ones are (common practice, no source)


def mains_of(lone_hz: Sequence[float]) -> list[float]:
    """Of lone lines at multiples of mains, those that come with one of its lowest: others may be there by chance."""
    found = set[float]()
    for mains in MAINS_HZ:
        own = {hz: round(hz / mains) for hz in lone_hz if abs(hz / mains - round(hz / mains)) < 2 * MAINS_TOLERANCE * hz / mains}
        if any(multiple <= LOW for multiple in own.values()):
            found |= own.keys()
    return sorted(found)


def hum_orders(transform: Transform, hum_hz: Sequence[float], shaft_hz: float) -> tuple[tuple[float, float], ...]:
    """(order, power) of each line of hum: what stands in its bins under a Hann window, mean square in the record's unit squared.

    In a whole recording a line of hum is as narrow as can be, and apart from the shaft's unless nothing could tell the two apart.
    """
    found = []
    for hz in hum_hz:
        at = max(transform.index(hz), BINS + 1)
        bins = hann_windowed(transform.bins, slice(at - BINS, at + BINS + 1))
        power = float(np.sum(bins.real**2 + bins.imag**2)) * 2 / (HANN_POWER * transform.n**2)
        found.append((hz / shaft_hz, power))
    return tuple(found)
