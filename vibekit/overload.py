"""Recordings cut flat: how loud they are was not measured, but that they pass full scale was."""

import math
from collections.abc import Sequence

from scipy.special import betaln

from vibekit.change import alike
from vibekit.reading import Reading

AS_LOUD = 0.5  # both parameters of the beta prior of how often a recording is cut flat (Jeffreys, Proc. R. Soc. A 186 (1946) 453-461)
LESS_GAIN = "record again with less gain, more distance, or a sensor of wider range: recordings are cut flat"


def cut_flat(reading: Reading) -> bool:
    """Whether it was louder than full scale."""
    return any(p.code == "clipping" and p.severity != "note" for p in reading.screening.problems)


def together(*groups: Sequence[Reading]) -> float:
    """Log of the chance of what is cut flat in these, all of one unknown rate: a beta-binomial law in one order."""
    cut = [cut_flat(r) for group in groups for r in group]
    flat = sum(cut)
    return float(betaln(flat + AS_LOUD, len(cut) - flat + AS_LOUD) - betaln(AS_LOUD, AS_LOUD))


def overload(readings: Sequence[Reading], references: Sequence[Reading]) -> float | None:
    """Log of how likely it is that these readings, not their references, are cut flat with a fault in them, against none.

    A fault makes them so at a rate of its own. None where none is cut flat, or without references of the same test, set-up and speed.
    """
    flat = [r for r in readings if cut_flat(r)]
    past = alike(flat[0], references) if flat else []
    if not past:
        return None
    if len(flat) * len(past) <= sum(map(cut_flat, past)) * len(readings):
        return -math.inf
    return together(readings) + together(past) - together(readings, past)
