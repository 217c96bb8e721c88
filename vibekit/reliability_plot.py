"""Pictures of how far verdicts can be trusted, as SVG files that stand by themselves."""

import io
from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from vibekit.catalogue import GROUPS, load_catalogue
from vibekit.marks import colours
from vibekit.plots import style
from vibekit.reliability import Bin, Outcome

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_INK = colours("light")
DARK = 55.0  # per cent from which a cell is so dark that its number is written in the colour of paper


def reliability_picture(bins: Sequence[Bin]) -> str:
    """How often a condition was there against the probability that was stated for it."""
    from matplotlib.figure import Figure

    with style():
        figure = Figure(figsize=(4.6, 4.2))
        ax = figure.add_axes((0.14, 0.13, 0.82, 0.78))
        ax.plot([0, 100], [0, 100], color=_INK["muted"], linewidth=0.8, linestyle=(0, (4, 3)))
        ax.text(98, 3, "dashed: as often as stated", color=_INK["muted"], ha="right")
        stated, there = (100 * np.array([getattr(b, name) for b in bins]) for name in ("stated", "there"))
        reach = 100 * np.array([(b.there - b.low, b.high - b.there) for b in bins]).T
        ax.errorbar(stated, there, reach, fmt="o-", color=_INK["this"], markersize=5, capsize=3, linewidth=1.5, elinewidth=1)
        ax.set(xlim=(0, 100), ylim=(0, 100), aspect="equal")
        ax.set_xlabel("probability stated for a condition, %")
        ax.set_ylabel("how often it was there, %")
        ax.set_title("Stated probability against truth, bars 95 %", fontsize=10, loc="left")
        return _text(figure)


def confusion_picture(outcomes: Sequence[Outcome]) -> str:
    """What was concluded (columns) of each condition (rows), per cent of the row; all severities together."""
    from matplotlib.figure import Figure

    catalogue = load_catalogue()
    there = sorted((c for c in catalogue.conditions if c.condition in {o.condition for o in outcomes}), key=lambda c: GROUPS.index(c.group))
    names = [c.condition for c in there]
    said = [*names, "undecided"]
    count = Counter((o.condition, o.conclusion.condition) for o in outcomes)
    cases = np.array([[count[row, column] for column in said] for row in names])
    share = 100 * cases / cases.sum(axis=1, keepdims=True)
    words = [*(c.words.partition(":")[0] for c in there), "cannot tell"]
    rows = ["sound motor" if name == "healthy" else word for name, word in zip(names, words, strict=False)]
    with style():
        figure = Figure(figsize=(10.4, 7.2))
        ax = figure.add_axes((0.25, 0.02, 0.65, 0.72))
        from matplotlib.colors import LinearSegmentedColormap

        ax.imshow(share, cmap=LinearSegmentedColormap.from_list("ink", [_INK["paper"], _INK["this"]]), vmin=0, vmax=100, aspect="auto")
        for (row, column), value in np.ndenumerate(share):
            if cases[row, column]:
                ink = _INK["paper" if value > DARK else "ink"]
                ax.text(column, row, f"{value:.0f}" if value >= 0.5 else "<1", ha="center", va="center", color=ink)
        ax.set_xticks(range(len(said)), words, rotation=45, ha="left")
        ax.set_yticks(range(len(names)), [f"{word} ({n})" for word, n in zip(rows, cases.sum(axis=1), strict=True)])
        ax.tick_params(top=True, labeltop=True, bottom=False, labelbottom=False, length=0)
        ax.set_xticks(np.arange(len(said) - 1) + 0.5, minor=True)
        ax.set_yticks(np.arange(len(names) - 1) + 0.5, minor=True)
        ax.grid(which="minor", color=_INK["rule"], linewidth=0.5)
        ax.tick_params(which="minor", length=0)
        figure.text(0.01, 0.97, "What was there (cases), and what was concluded, % of the row", fontsize=11, va="top")
        return _text(figure)


def _text(figure: "Figure") -> str:
    handle = io.StringIO()
    figure.savefig(handle, format="svg", facecolor=_INK["paper"], metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return handle.getvalue()
