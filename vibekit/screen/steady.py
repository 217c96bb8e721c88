"""The steady part of a recording: without handling noise at its ends and single knocks in its middle."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import binary_closing, binary_dilation, find_objects, label, median_filter

from vibekit.screen.overview import Floats, Overview
from vibekit.settings import Settings

Span = tuple[int, int]
SLOT_S, SLOT_SAMPLES = 0.05, 16
SETTLED = 11  # slots: a level counts when it holds this long
EDGE = 3  # slots: a lull this short at an end is nothing, and so much more is cut with what is something
REACH_DB = 6.0  # level at the ends that still belongs to the steady part
TILT = 6.0  # robust standard deviations by which the mean moves when somebody moves the sensor
KNOCK = 2.5  # times the peak that one block in fifty exceeds: machines in the open recordings, bearing damage too, stay below 2
ALOOF = 1.4  # times the highest peak below it
KNOCK_EVERY_S = 3.0  # what knocks more often is the machine
LEAST_BLOCKS = 200  # for a rank of one in fifty
TOGETHER_S = 0.1  # knocks this near are one event
END_S, END_SHARE = 3.0, 0.15  # a knock this near to an end is handling, and the part begins or ends there
LEAST_SHARE = 0.3  # with less left nothing was steady, and the whole record is given
CHANGING = ("run-up", "hand-spin")  # level and speed change on purpose


@dataclass(frozen=True, slots=True)
class Steady:
    """What a later stage should look at.

    part: (start, stop), the samples between handling noise; knocks: (start, stop) of single knocks inside it
    """

    part: Span
    knocks: tuple[Span, ...] = ()


def find_steady(overviews: tuple[Overview, ...], settings: Settings) -> Steady:
    """Steady part common to all channels. A run-up and a spin by hand change on purpose: only silence is cut from them."""
    n = overviews[0].x.size
    spans = [_live(o) for o in overviews]
    events: list[Span] = []
    if settings.test != "hand-spin":
        events = _merge([knock for o in overviews for knock in find_knocks(o)])
    if settings.test not in CHANGING:
        spans += [_settled(o, tilts=settings.test != "flight") for o in overviews]
    start, stop = max(a for a, _ in spans), min(b for _, b in spans)
    if stop - start < LEAST_SHARE * n:
        start, stop = 0, n
    if settings.test not in CHANGING:
        end = int(min(END_S * overviews[0].rate_hz, END_SHARE * n))
        start = max([start, *(b for _, b in events if b <= end)])
        stop = min([stop, *(a for a, _ in events if a >= n - end)])
    return Steady((start, stop), tuple((a, b) for a, b in events if start < b and a < stop))


def find_knocks(overview: Overview) -> list[Span]:
    """Find blocks far louder than one in fifty, with what belongs to them; none when they come so often that they are the machine's."""
    peak = overview.peak
    if peak.size < LEAST_BLOCKS:
        return []
    usual = np.quantile(peak, 0.98)
    hot = peak > KNOCK * usual
    if not hot.any():
        return []
    near = max(round(TOGETHER_S * overview.rate_hz / overview.block), 1)
    around = binary_closing(np.pad(peak > usual, near), np.ones(3))[near:-near] & binary_dilation(hot, np.ones(2 * near + 1))
    groups, _ = label(binary_dilation(around | hot, np.ones(3)))
    spans = [span[0] for k, span in enumerate(find_objects(groups), 1) if hot[span[0]][groups[span[0]] == k].any()]
    events = _merge([(s.start, s.stop + 1) for s in spans], near)
    aloof = _aloof(peak, events)
    if len(aloof) > max(2.0, overview.seconds / KNOCK_EVERY_S):
        return []
    return sorted((a * overview.block, min(b * overview.block, overview.x.size)) for a, b in aloof)


def _aloof(peak: Floats, events: list[Span]) -> list[Span]:
    """Events that stand clear of everything below them: the loudest of many clicks of one machine do not."""
    outside = np.ones(peak.size, bool)
    for a, b in events:
        outside[a:b] = False
    tail = float(peak[outside].max())
    rising = sorted((float(peak[a:b].max()), (a, b)) for a, b in events)
    for k, (height, _) in enumerate(rising):
        if height >= ALOOF * tail:
            return [event for _, event in rising[k:]]
        tail = height
    return []


def _live(overview: Overview) -> Span:
    """Without digital silence at the ends."""
    moving = np.flatnonzero(overview.peak > 0)
    if not moving.size:
        return 0, overview.x.size
    return int(moving[0]) * overview.block, min(int(moving[-1] + 2) * overview.block, overview.x.size)


def _settled(overview: Overview, *, tilts: bool) -> Span:
    """Between the first and the last time that level and mean hold near those of most of the record."""
    size, mean, spread = overview.slots(SLOT_S, SLOT_SAMPLES)
    if spread.size < 3 * SETTLED:
        return 0, overview.x.size
    level = 20 * np.log10(np.maximum(median_filter(spread, SETTLED, mode="nearest"), 1e-12))
    usual = np.median(level)
    reach = max(REACH_DB, 4 * _deviation(level))
    good: npt.NDArray[np.bool_] = np.abs(level - usual) <= reach
    if tilts:
        moved = np.abs(mean - np.median(mean))
        good &= median_filter(moved, 3, mode="nearest") <= max(TILT * _deviation(mean), float(np.median(spread)))
    good = binary_closing(np.pad(good, SETTLED, mode="edge"), np.ones(SETTLED))[SETTLED:-SETTLED]
    runs, count = label(good)
    if not count:
        return 0, overview.x.size
    long = [run[0] for run in find_objects(runs) if run[0].stop - run[0].start >= SETTLED]
    if not long:
        return 0, overview.x.size
    start, stop = long[0].start, long[-1].stop
    first = (start + EDGE) * size if start > EDGE else 0
    last = (stop - EDGE) * size if stop < good.size - EDGE else overview.x.size
    return first, last


def _deviation(values: npt.NDArray[np.floating]) -> float:
    """Standard deviation from the median absolute deviation of normal values."""
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


def _merge(spans: list[Span], gap: int = 0) -> list[Span]:
    """Join spans that touch or lie at most `gap` apart."""
    joined: list[Span] = []
    for start, stop in sorted(spans):
        if joined and start <= joined[-1][1] + gap:
            joined[-1] = (joined[-1][0], max(stop, joined[-1][1]))
        else:
            joined.append((start, stop))
    return joined
