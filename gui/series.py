"""The numbers that a plot shows, as CSV or JSON. No Qt."""

import csv
import io
import json
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Series:
    """One named line or row of points: y over x, (n,) each, in the units of the plot; u95: half width of the 95 % interval, None for none.

    words: of each x where numbers alone would not tell it, such as a day
    """

    name: str
    x: Array
    y: Array
    u95: Array | None = None
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a plot shows: (quantity, unit) of both axes, and its series."""

    title: str
    x: tuple[str, str]
    y: tuple[str, str]
    series: tuple[Series, ...]


def drawn_csv(drawn: Drawn) -> str:
    """Write a row a point; the last column is empty where there is no interval."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(["series", *(", ".join(filter(None, axis)) for axis in (drawn.x, drawn.y)), "u95"])
    for one in drawn.series:
        for at, (x, y) in enumerate(zip(one.x, one.y, strict=True)):
            u95 = "" if one.u95 is None else _number(one.u95[at])
            writer.writerow([one.name, one.words[at] if one.words else _number(x), _number(y), u95])
    return text.getvalue()


def drawn_json(drawn: Drawn) -> str:
    """Write the same as one object; what is not finite is null."""
    axes = {name: {"quantity": axis[0], "unit": axis[1]} for name, axis in (("x", drawn.x), ("y", drawn.y))}
    rows = [
        {
            "name": one.name,
            "x": list(one.words) or _numbers(one.x),
            "y": _numbers(one.y),
            "u95": None if one.u95 is None else _numbers(one.u95),
        }
        for one in drawn.series
    ]
    told = {"schema": "vibekit.plot/1", "title": drawn.title, **axes, "series": rows}
    return json.dumps(told, indent=1, allow_nan=False, ensure_ascii=False)


def _number(value: float) -> str:
    return f"{value:.9g}" if math.isfinite(value) else ""


def _numbers(values: Sequence[float] | Array) -> list[float | None]:
    return [float(f"{value:.9g}") if math.isfinite(value) else None for value in values]
