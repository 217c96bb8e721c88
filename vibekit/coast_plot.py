"""The coast-downs of a craft's motors in one picture, each with its coast time."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from vibekit.handspin import COAST, FROM_RPM, TO_RPM
from vibekit.marks import colours
from vibekit.plots import WIDTH, style
from vibekit.reading import Reading

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LEFT, _RIGHT, _BOTTOM, _TOP, _CURVES, _ROW, _GAP = 1.05, 0.15, 0.48, 0.12, 2.0, 0.2, 0.1  # inch
_INK = colours("light")


def coast_downs(motors: Sequence[tuple[str, Sequence[Reading]]], standing_out: Sequence[str] = ()) -> "Figure":
    """Speed against time of every flick, set so that all pass the upper speed together, over the coast times with their 95 % intervals.

    motors: (position, readings with a "coast time"), at least one; standing_out: positions drawn in the colour of what is talked of
    """
    from matplotlib.figure import Figure

    rows = _ROW * len(motors) + 0.1
    height = _BOTTOM + rows + _GAP + _CURVES + _TOP
    width = 1 - (_LEFT + _RIGHT) / WIDTH
    with style():
        figure = Figure(figsize=(WIDTH, height))
        above = figure.add_axes((_LEFT / WIDTH, (_BOTTOM + rows + _GAP) / height, width, _CURVES / height))
        below = figure.add_axes((_LEFT / WIDTH, _BOTTOM / height, width, rows / height), sharex=above)
        for at, (position, readings) in enumerate(motors):
            ink = _INK["this"] if position in standing_out else _INK["muted"]
            for curve in (c for reading in readings for c in reading.curves if c.kind.startswith(COAST)):
                passing = float(np.interp(-FROM_RPM, -curve.y, curve.x))
                above.plot(curve.x - passing, curve.y, color=ink, linewidth=1.0, zorder=3 if position in standing_out else 2)
            for seconds in filter(None, (reading.quantity("coast time") for reading in readings)):
                below.errorbar(seconds.value, at, xerr=seconds.u95, fmt="o", color=ink, markersize=4.5, capsize=2.5, elinewidth=1.3)
        for speed in (FROM_RPM, TO_RPM):
            above.axhline(speed, color=_INK["muted"], linewidth=0.6, linestyle=(0, (1, 1.5)))
        above.set_ylim(0, None)
        above.set_ylabel("speed, rpm")
        above.tick_params(labelbottom=False)
        below.set_yticks(range(len(motors)), [position for position, _ in motors])
        below.set_ylim(len(motors) - 0.5, -0.5)
        below.tick_params(axis="y", length=0)
        for ax in (above, below):
            ax.grid(axis="x", color=_INK["rule"], linewidth=0.6)
        below.set_xlabel(f"time since {FROM_RPM:.0f} rpm, s; dots: at {TO_RPM:.0f} rpm")
        return figure
