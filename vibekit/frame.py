"""The part of a plane that plots of spectra share, and curves thinned out to what can be drawn there."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.errors import UsageError
from vibekit.reading import Array, Curve, OrderLine, Reading

COLUMNS = 480
SHORTEST, LONGEST = 12.0, 20.0  # orders; beyond, lines would stand too close to be told apart


@dataclass(frozen=True, slots=True)
class Frame:
    """Order 0 to `order_max` and `low` to `high` in `unit`; a level in dB is drawn evenly, an amplitude logarithmically."""

    order_max: float
    low: float
    high: float
    unit: str

    @property
    def is_level(self) -> bool:
        """The unit is a level already."""
        return is_level(self.unit)


def is_level(unit: str) -> bool:
    """Tell whether values in this unit are levels, in decibels."""
    return unit.startswith("dB")


def frame_of(kind: str, readings: Sequence[Reading]) -> Frame | None:
    """Give one frame that holds the curves of this kind of all readings, None when no reading has one.

    Raises UsageError when their units differ: such curves share no axis.
    """
    curves = [curve for reading in readings if (curve := reading.curve(kind)) is not None and curve.x.size > 1]
    if not curves:
        return None
    units = sorted({curve.y_unit for curve in curves})
    if len(units) > 1:
        raise UsageError(f"curves to draw together are in {', '.join(units)}; they must be in one unit")
    wanted = max((1.12 * line.order for reading in readings for line in reading.orders), default=0.0)
    order_max = min(float(np.clip(np.ceil(wanted), SHORTEST, LONGEST)), max(float(curve.x[-1]) for curve in curves))
    seen = [y for curve in curves if (y := curve.y[(curve.x > 0.2) & (curve.x <= order_max)]).size]
    if not seen:
        return None
    high = max(float(y.max()) for y in seen)
    if is_level(units[0]):
        low = min(float(np.percentile(y, 25)) for y in seen)
        return Frame(order_max, low, high + 0.1 * max(high - low, 1.0), units[0])
    high = max(high, 1e-12)
    low = min(float(np.percentile(y, 5)) for y in seen)
    return Frame(order_max, max(low, high * 1e-6), high * 2, units[0])


def key_lines(reading: Reading, frame: Frame) -> list[OrderLine]:
    """Lines inside the frame that stand out of the noise by more than their interval, in order."""
    lines = {line.order: line for line in reversed(reading.orders)}  # of two at one order the first: the strongest channel's
    return [line for order, line in sorted(lines.items()) if order <= frame.order_max and line.amplitude - line.u95 > line.floor]


def tallest(curve: Curve, frame: Frame) -> tuple[Array, Array]:
    """Give the largest point of each of COLUMNS columns at its own abscissa, so that no line is lost or moved."""
    shown = (curve.x >= 0) & (curve.x <= frame.order_max)
    x, y = curve.x[shown], np.maximum(curve.y[shown], frame.low)
    if x.size <= COLUMNS:
        return x, y
    starts = np.flatnonzero(np.diff(_column(x, frame), prepend=-1))
    at = np.array([start + int(y[start:stop].argmax()) for start, stop in zip(starts, [*starts[1:], x.size], strict=True)])
    return x[at], y[at]


def span(curves: Sequence[Curve], frame: Frame) -> tuple[Array, Array, Array]:
    """Give column centres, and the smallest and the largest there of the curves, each drawn as its `tallest`."""
    each = []
    for curve in curves:
        x, y = tallest(curve, frame)
        each.append(np.interp(np.arange(COLUMNS), _column(x, frame), y))
    seen = np.vstack(each)
    return (np.arange(COLUMNS) + 0.5) * frame.order_max / COLUMNS, seen.min(axis=0), seen.max(axis=0)


def _column(x: Array, frame: Frame) -> Array:
    return np.minimum(np.floor(x / frame.order_max * COLUMNS), COLUMNS - 1)
