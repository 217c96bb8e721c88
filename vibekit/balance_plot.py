"""The rounds of a balancing job: as vectors where phase was measured, as amplitudes where it was not."""

import cmath
import math
from typing import TYPE_CHECKING

import numpy as np

from vibekit.balance_job import BalanceJob
from vibekit.balance_solution import level
from vibekit.marks import colours
from vibekit.plots import WIDTH, style
from vibekit.wording import sentence, unit_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_INK = colours("light")
_SHAPES = {"as found": ("D", "baseline"), "trial": ("s", "muted"), "check": ("o", "this")}
_LETTER = 0.062  # inch


def vectors(job: BalanceJob) -> "Figure":
    """1x of every whole round: from the middle outwards, its 95 % circle about its end; without phase a row each with its interval."""
    return _polar(job) if job.method == "phase" else _rows(job)


def _named(job: BalanceJob) -> list[tuple[str, str]]:
    """(stage, name) of each round; those of one stage are numbered when there are several."""
    stages = [r.stage for r in job.whole]
    return [(s, f"{s} {stages[: n + 1].count(s)}" if stages.count(s) > 1 else s) for n, s in enumerate(stages)]


def _polar(job: BalanceJob) -> "Figure":
    from matplotlib.figure import Figure
    from matplotlib.patches import Circle

    seen = [level(job, r) for r in job.whole]
    reach = 1.35 * max(abs(s.value) + 1.73 * s.error for s in seen)
    with style():
        figure = Figure(figsize=(WIDTH, WIDTH * 0.82))
        ax = figure.add_axes((0.02, 0.02, 0.96, 0.96))
        ax.set_aspect("equal")
        ax.axis("off")
        step = _nice(reach / 3)
        for ring in np.arange(step, reach, step):
            ax.add_patch(Circle((0, 0), ring, fill=False, edgecolor=_INK["rule"], linewidth=0.7))
            ax.text(0, -ring, f" {ring:.3g}", color=_INK["muted"], fontsize=8, va="center", ha="left")
        for angle in range(0, 360, 30):
            spoke = cmath.rect(reach, math.radians(angle))
            ax.plot([0, spoke.real], [0, spoke.imag], color=_INK["rule"], linewidth=0.5, zorder=0)
            ax.text(1.07 * spoke.real, 1.07 * spoke.imag, f"{angle}°", ha="center", va="center", fontsize=8, color=_INK["muted"])
        taken: list[complex] = []
        for (stage, name), s in zip(_named(job), seen, strict=True):
            marker, ink = _SHAPES[stage]
            v = s.value
            ax.plot([0, v.real], [0, v.imag], color=_INK[ink], linewidth=1.4, linestyle="-" if stage != "as found" else (0, (4, 1.5)))
            ax.add_patch(Circle((v.real, v.imag), 1.73 * s.error, fill=False, edgecolor=_INK[ink], linewidth=0.9))
            ax.plot(v.real, v.imag, marker, color=_INK[ink], markersize=5)
            spot = v + cmath.rect(0.09 * reach, cmath.phase(v) if abs(v) > 0.1 * reach else -math.pi / 4)
            while any(abs(spot.imag - other.imag) < 0.07 * reach and abs(spot.real - other.real) < 0.5 * reach for other in taken):
                spot -= 0.07j * reach
            taken.append(spot)
            side = "left" if spot.real >= v.real else "right"
            ax.text(spot.real, spot.imag, name, ha=side, va="center", weight="bold", color=_INK["ink"])
        ax.set_xlim(-1.35 * reach, 1.35 * reach)
        ax.set_ylim(-1.13 * reach, 1.13 * reach)
        ax.text(-1.33 * reach, 1.1 * reach, f"1x, {unit_words(seen[0].unit)}", va="top")
        return figure


def _rows(job: BalanceJob) -> "Figure":
    from matplotlib.figure import Figure

    names = _named(job)
    left = 0.35 + _LETTER * max(len(name) for _, name in names)
    height = 0.62 + 0.24 * len(names)
    with style():
        figure = Figure(figsize=(WIDTH, height))
        ax = figure.add_axes((left / WIDTH, 0.5 / height, 1 - (left + 0.2) / WIDTH, 1 - 0.6 / height))
        seen = [level(job, r) for r in job.whole]
        for at, ((stage, _), s) in enumerate(zip(names, seen, strict=True)):
            marker, ink = _SHAPES[stage]
            ax.errorbar(abs(s.value), at, xerr=s.u95, fmt=marker, color=_INK[ink], markersize=5, capsize=3, elinewidth=1.2)
        ax.set_yticks(range(len(names)), [sentence(name) for _, name in names])
        ax.set_ylim(len(names) - 0.5, -0.5)
        ax.set_xlim(0, 1.12 * max(abs(s.value) + s.u95 for s in seen))
        ax.tick_params(axis="y", length=0)
        ax.grid(axis="x", color=_INK["rule"], linewidth=0.6)
        ax.set_xlabel(f"peak amplitude of 1x, {unit_words(seen[0].unit)}")
        return figure


def _nice(value: float) -> float:
    """1, 2 or 5 times a power of ten, at or below."""
    power = 10 ** math.floor(math.log10(value))
    return float(next(step * power for step in (5, 2, 1) if step * power <= value))
