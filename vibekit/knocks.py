"""Knocks in a recording: where each begins, and which were not clean."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

BLOCK_S = 0.001
CONTACT_S = 0.010  # a finger or a small rubber hammer is off again after this long (common practice, no source)
BEFORE_S = 0.030  # a new knock stands above all of this time before it; a ring only falls
ABOVE_BEFORE = 4.0  # in power
ABOVE_NOISE = 50.0  # in power, of the median block
FAINTEST = 1e-3  # part of the strongest knock's power below which nothing counts as a knock
LEAST_S, LONGEST_S = 0.2, 1.0  # of free decay after a knock
PATIENCE_S = 0.02  # of the next knock's own beginning, left out


@dataclass(frozen=True, slots=True)
class Knock:
    """One knock: the samples of the free decay after it.

    start, stop: samples; refused: why it cannot be used, "" when it can
    """

    start: int
    stop: int
    refused: str = ""


def find_knocks(samples: npt.NDArray[np.floating], rate_hz: float) -> tuple[Knock, ...]:
    """Find knocks in samples (channels, n) of the band of the frame's modes, in order.

    One that is struck again before it rang for LEAST_S is refused, and so is its second hit. A knock is felt in the slope of the
    signal, where a short blow stands out from a slow ring.
    """
    begin = _onsets(samples, rate_hz)
    contact, least, longest = (round(s * rate_hz) for s in (CONTACT_S, LEAST_S, LONGEST_S))
    following = [*begin[1:], samples.shape[1] + round(PATIENCE_S * rate_hz)]
    ends = [min(after - round(PATIENCE_S * rate_hz), at + contact + longest) for at, after in zip(begin, following, strict=False)]
    found = []
    for i, (at, end) in enumerate(zip(begin, ends, strict=True)):
        start = at + contact
        struck_again = i + 1 < len(begin) and end - start < least
        second = i > 0 and ends[i - 1] - begin[i - 1] - contact < least
        why = "double hit" if struck_again or second else "cut off by the end of the recording" if end - start < least else ""
        found.append(Knock(start, max(end, start), f"{why} at {at / rate_hz:.2f} s" if why else ""))
    return tuple(found)


def _onsets(samples: npt.NDArray[np.floating], rate_hz: float) -> list[int]:
    block = max(round(BLOCK_S * rate_hz), 1)
    slope = np.diff(samples.astype(np.float64), axis=1)
    count = slope.shape[1] // block
    power = (slope[:, : count * block] ** 2).sum(axis=0).reshape(count, block).sum(axis=1)
    rise, back = max(round(0.004 / BLOCK_S), 1), round(BEFORE_S / BLOCK_S)
    before = np.full(count, np.inf)
    width = back - rise
    before[back:] = maximum_filter1d(power, width)[width // 2 : width // 2 + count - back]
    limit = np.maximum(ABOVE_BEFORE * before, max(ABOVE_NOISE * float(np.median(power)), FAINTEST * float(power.max(initial=0.0))))
    begin: list[int] = []
    for i in np.flatnonzero(power > limit).tolist():
        if not begin or (i - begin[-1]) * block > CONTACT_S * rate_hz:
            begin.append(i)
    return [i * block for i in begin]
