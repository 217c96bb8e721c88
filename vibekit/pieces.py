"""A long recording measured in pieces, so that an hour needs no more memory than minutes do, and the pieces' readings made one."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TypeVar

import numpy as np
from scipy.special import stdtrit

from vibekit.evidence import agreed
from vibekit.problem import Problem, Screening
from vibekit.reading import SCORE, Curve, LinePower, OrderLine, Quantity, Reading, SpeedResult
from vibekit.recording import Lost, Recording
from vibekit.screening import gravest_first
from vibekit.settings import Settings

LONGEST = 3 << 20  # samples of a channel: a minute at 48 kHz, and 200 MB to measure
WHOLE = ("run-up", "hand-spin")  # tests that tell one story from beginning to end
_Item = TypeVar("_Item", OrderLine, Quantity, Curve, LinePower)


def pieces_of(recording: Recording, settings: Settings) -> list[Recording]:
    """Cut a recording into equal pieces of LONGEST samples at most; the whole where its test tells one story."""
    n = recording.samples.shape[1]
    count = math.ceil(n / LONGEST)
    if count == 1 or settings.test in WHOLE:
        return [recording]
    edges = [n * i // count for i in range(count + 1)]
    return [_cut(recording, a, b) for a, b in pairwise(edges)]


def _cut(recording: Recording, start: int, stop: int) -> Recording:
    inside = [lost for lost in recording.lost if lost.start < stop and lost.stop > start]
    return replace(
        recording,
        samples=recording.samples[:, start:stop],
        stamp_s=None if recording.stamp_s is None else recording.stamp_s[start:stop],
        lost=tuple(Lost(max(x.start, start) - start, min(x.stop, stop) - start, x.missing, x.why) for x in inside),
        taken=None,
    )


def together(readings: Sequence[Reading]) -> Reading:
    """One reading of the readings of all pieces, those left out that screening stops.

    Amplitudes and levels are averaged as powers where they are curves, as they are where they are numbers; an interval is the larger of
    what the pieces' own intervals give for their mean and what their scatter does (Student). Scores of a bearing's pulses add, by the
    median piece. The speed is the mean; lines come from the pieces that have one.
    """
    fit = [r for r in readings if r.screening.usable] or list(readings)
    turning = [r for r in fit if r.speed.rpm is not None] or fit
    first = turning[0]
    return replace(
        first,
        duration_s=sum(r.duration_s for r in readings),
        screening=Screening(_problems(readings)),
        speed=_speed([r.speed for r in turning]),
        orders=tuple(_line(each) for each in _columns([r.orders for r in turning])),
        quantities=tuple(_quantity(each) for each in _columns([r.quantities for r in turning])),
        curves=tuple(_curve(each) for each in _columns([r.curves for r in turning])),
        powers=tuple(_power(each) for each in _columns([r.powers for r in turning])),
        whole=tuple(_power(each) for each in _columns([r.whole for r in turning])),
        log=(
            *dict.fromkeys(line for r in readings for line in r.log),
            f"measured in {len(readings)} pieces, {len(turning)} of them averaged",
        ),
    )


def _key(item: OrderLine | Quantity | Curve | LinePower) -> object:
    match item:
        case OrderLine():
            return item.order, item.name
        case LinePower():
            return item.order
        case Curve():
            return item.kind
        case Quantity():
            return item.name


def _columns(rows: Sequence[Sequence[_Item]]) -> list[list[_Item]]:
    """What is of one name in each row, in the order of the first row."""
    by_name = [{_key(item): item for item in row} for row in rows]
    return [[row[key] for row in by_name if key in row] for key in by_name[0]]


def _u95(own: Sequence[float], values: Sequence[float]) -> float:
    """Of the mean of independent values with these half widths."""
    n = len(own)
    from_own = math.sqrt(sum(u**2 for u in own)) / n
    return from_own if n < 3 else max(from_own, float(stdtrit(n - 1, 0.975) * np.std(values, ddof=1)) / math.sqrt(n))


def _line(each: Sequence[OrderLine]) -> OrderLine:
    values = [line.amplitude for line in each]
    mean, floor = float(np.mean(values)), float(np.mean([line.floor for line in each]))
    return replace(each[0], amplitude=mean, u95=_u95([line.u95 for line in each], values), floor=floor)


def _quantity(each: Sequence[Quantity]) -> Quantity:
    values = [q.value for q in each]
    if each[0].unit == SCORE:
        return replace(each[0], value=agreed(values))
    if any(q.at_most is not None for q in each):  # the most that any of them may be bounds their mean
        return replace(each[0], value=float(np.mean([q.value + (q.u95 if q.at_most is None else 0.0) for q in each])), u95=math.inf)
    return replace(each[0], value=float(np.mean(values)), u95=_u95([q.u95 for q in each], values))


def _power(each: Sequence[LinePower]) -> LinePower:
    n, powers = len(each), [p.power for p in each]
    scatter = float(np.std(powers, ddof=1)) / math.sqrt(n) if n > 2 else 0.0
    error = max(math.sqrt(sum(p.error**2 for p in each)) / n, scatter)
    return replace(each[0], power=float(np.mean(powers)), error=error, noise=float(np.mean([p.noise for p in each])))


def _curve(each: Sequence[Curve]) -> Curve:
    """Mean power over the pieces whose curves have the first one's spacing, over what all of them reach."""
    first = each[0]
    alike = [c for c in each if c.resolution == first.resolution and c.y_unit == first.y_unit]
    n = min(len(c.x) for c in alike)
    y = np.stack([c.y[:n] for c in alike])
    if first.x_unit == "°":  # a turn from the tacho's mark on has a sign
        return replace(first, y=y.mean(axis=0), u95=None)
    mean = 10 * np.log10(np.mean(10 ** (y / 10), axis=0)) if first.y_unit.startswith("dB") else np.sqrt(np.mean(y**2, axis=0))
    return Curve(first.kind, first.x[:n], mean, first.x_unit, first.y_unit, first.resolution)


def _speed(each: Sequence[SpeedResult]) -> SpeedResult:
    """The mean, with the interval of one piece: much of it, such as the clock's, all pieces share."""
    first = each[0]
    if first.rpm is None:
        return first
    least, most = ([value for s in each if (value := getattr(s, name)) is not None] for name in ("rpm_min", "rpm_max"))
    return SpeedResult(
        method=first.method,
        rpm=float(np.mean([s.rpm for s in each])),
        rpm_u95=math.sqrt(float(np.mean([(s.rpm_u95 or 0.0) ** 2 for s in each]))),
        rpm_min=min(least, default=None),
        rpm_max=max(most, default=None),
        candidates=first.candidates,
        rotors=max((s.rotors for s in each), key=len),
    )


def _problems(readings: Sequence[Reading]) -> tuple[Problem, ...]:
    """Each kind of problem once, its gravest words, saying in how many pieces; what stops some pieces only is a warning."""
    usable = any(r.screening.usable for r in readings)
    count = Counter(code for r in readings for code in {p.code for p in r.screening.problems})
    every = gravest_first([p for r in readings for p in r.screening.problems])
    gravest = {p.code: p for p in reversed(every)}
    found = []
    for code, problem in gravest.items():
        where = "" if count[code] == len(readings) else f" (in {count[code]} of {len(readings)} pieces)"
        severity = "warning" if problem.severity == "stop" and usable else problem.severity
        found.append(Problem(code, severity, problem.detail + where))
    return gravest_first(found)
