"""Plots of readings as matplotlib figures: they take the data objects, and every axis says its quantity and unit."""

import io
import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np

from vibekit.frame import Frame, key_lines, span, tallest
from vibekit.marks import PALETTE, colours
from vibekit.reading import Reading, SpeedMap
from vibekit.standing import Standing
from vibekit.wording import SHORT, superscript, unit_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH = 5.3  # inch: two stand side by side on a screen, one fills a phone
_LEFT, _RIGHT, _BOTTOM, _GAP = 0.62, 0.72, 0.48, 0.14  # inch
_TEXT, _SMALL = 9.0, 8.0  # points
_INK = colours("light")
_ORDER = "order (multiples of shaft speed)"
_RC: dict[Any, Any] = {
    "font.family": "sans-serif",
    "font.size": _TEXT,
    "svg.fonttype": "none",
    "svg.hashsalt": "vibekit",
    "text.color": _INK["ink"],
    "axes.edgecolor": _INK["muted"],
    "axes.labelcolor": _INK["ink"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": _INK["muted"],
    "ytick.color": _INK["muted"],
    "xtick.labelcolor": _INK["ink"],
    "ytick.labelcolor": _INK["ink"],
    "axes.facecolor": "none",
    "figure.facecolor": "none",
}


def order_spectrum(reading: Reading, frame: Frame, baselines: Sequence[Reading] = (), others: Sequence[Reading] = ()) -> "Figure":
    """Amplitude against order of one motor over its noise, its baselines (the largest of them) and the span of the other motors.

    At each line that stands out: a stem from the noise up, its 95 % interval, and beside it the same line of baselines and others.
    """
    with style():
        figure, ax = _one(3.1, top=0.62)
        _spectrum(ax, "order", reading, frame, baselines, others)
        lines = key_lines(reading, frame)
        for line in lines:
            ax.plot([line.order] * 2, [max(line.floor, frame.low), line.amplitude], color=_INK["ink"], linewidth=2, solid_capstyle="butt")
            ax.errorbar(line.order, line.amplitude, line.u95, fmt="o", color=_INK["ink"], markersize=4, capsize=3, elinewidth=1)
            for rest, marker, ink in ((others, "o", "muted"), (baselines, "D", "baseline")):
                beside = [o.amplitude for r in rest for o in r.orders if (o.order, o.name, o.unit) == (line.order, line.name, line.unit)]
                x = [line.order + 0.013 * frame.order_max] * len(beside)
                ax.plot(x, np.maximum(beside, frame.low), marker, color=_INK[ink], markersize=3.5, fillstyle="none")
        wanted = sorted(lines, key=lambda line: line.floor / line.amplitude)[:9]
        _label_orders(ax, [(line.order, line.name) for line in wanted], frame)
        ax.set_ylabel(_axis_label("peak amplitude", frame.unit))
        return figure


def envelope_spectrum(reading: Reading, frame: Frame, baselines: Sequence[Reading] = (), others: Sequence[Reading] = ()) -> "Figure":
    """Squared-envelope spectrum against order, with 1x and the defect orders of the stated bearings marked."""
    with style():
        figure, ax = _one(3.1, top=0.62)
        _spectrum(ax, "envelope", reading, frame, baselines, others)
        marks = [(1.0, "1x")]
        for bearing in reading.settings.bearings:
            marks += [(bearing.outer, "outer race"), (bearing.inner, "inner race"), (2 * bearing.ball_spin, "ball"), (bearing.cage, "cage")]
        _label_orders(ax, marks, frame)
        ax.set_ylabel(_axis_label("squared envelope", frame.unit))
        return figure


def noise_spectrum(reading: Reading, baselines: Sequence[Reading] = (), others: Sequence[Reading] = ()) -> "Figure | None":
    """Level of the broadband noise against frequency, for readings whose shaft speed is not known; None when there is none."""
    curve = reading.curve("noise")
    if curve is None:
        return None
    with style():
        figure, ax = _one(2.6, top=0.12)
        ends = []
        for rest, name, ink, dash in ((others, "others", "others", "-"), (baselines, "baseline", "baseline", (0, (3, 1)))):
            for beside in (c for r in rest if (c := r.curve("noise")) is not None and c.y_unit == curve.y_unit):
                ax.plot(beside.x, beside.y, color=_INK[ink], linewidth=1.2, linestyle=dash)
                ends.append((float(beside.y[-1]), name, "muted" if name == "others" else ink))
        ax.plot(curve.x, curve.y, color=_INK["this"], linewidth=1.1, gid="this")
        ends.append((float(curve.y[-1]), "this motor", "this"))
        ax.set_xscale("log")
        ax.set_xlim(curve.x[0], curve.x[-1])
        ax.set_xlabel(f"frequency, {curve.x_unit}")
        ax.set_ylabel(f"noise, {curve.y_unit}")
        ax.grid(axis="y", color=_INK["rule"], linewidth=0.6)
        _name_at_end(ax, list({name: end for end in ends for name in [end[1]]}.values()))
        return figure


def before_and_after(before: Reading, after: Reading, frame: Frame) -> "Figure":
    """Order spectra of one motor before (dashed) and after (solid), with the 95 % intervals of the lines that stood out in either."""
    with style():
        figure, ax = _one(3.1, top=0.62)
        _frame(ax, frame)
        stood_out = {line.order: line for reading in (after, before) for line in key_lines(reading, frame)}
        ends: list[tuple[float, str, str]] = []
        for reading, name, ink, dash, side in ((before, "before", "baseline", (0, (3, 1)), -1), (after, "after", "this", "-", 1)):
            curve = reading.curve("order")
            assert curve is not None
            x, y = tallest(curve, frame)
            ax.plot(x, y, color=_INK[ink], linewidth=0.9, linestyle=dash, gid=name)
            ends.append((float(np.median(y[-20:])), name, ink))
            lines = [line for line in reading.orders if line.order in stood_out]
            at = [line.order + side * 0.006 * frame.order_max for line in lines]
            sizes, reach = [max(line.amplitude, frame.low) for line in lines], [line.u95 for line in lines]
            ax.errorbar(at, sizes, reach, fmt="D" if side < 0 else "o", color=_INK[ink], markersize=3.5, capsize=2.5, elinewidth=1,
                        markerfacecolor=_INK["paper"] if side < 0 else _INK[ink])  # fmt: skip
        clearest = sorted(stood_out.values(), key=lambda line: line.floor / line.amplitude)[:9]
        _label_orders(ax, [(line.order, line.name) for line in clearest], frame)
        _name_at_end(ax, ends)
        ax.set_xlabel(_ORDER)
        ax.set_ylabel(_axis_label("peak amplitude", frame.unit))
        return figure


def order_multiples(motors: Sequence[tuple[str, Reading]], frame: Frame) -> "Figure":
    """Draw the order spectra of all motors under each other, in running order and on one scale.

    motors: (owner's name of the position, reading with an "order" curve), at least one
    """
    with style():
        figure, axes = _rows(len(motors), 1.05, top=0.55)
        marks: dict[float, str] = {}
        for ax, (position, reading) in zip(axes, motors, strict=True):
            curve = reading.curve("order")
            assert curve is not None
            _frame(ax, frame)
            ax.plot(*tallest(curve, frame), color=_INK["this"], linewidth=0.8)
            lines = sorted(key_lines(reading, frame), key=lambda line: line.floor / line.amplitude)[:6]
            ax.plot([line.order for line in lines], [line.amplitude for line in lines], "o", color=_INK["this"], markersize=3)
            marks |= {line.order: line.name for line in lines}
            _corner(ax, position)
        _label_orders(axes[0], list(marks.items()), frame, 1.05 - _GAP)
        for ax in axes[1:]:
            for order in marks:
                ax.axvline(order, color=_INK["muted"], linewidth=0.5, zorder=0.5)
        for ax in axes[:-1]:
            ax.tick_params(labelbottom=False)
        axes[-1].set_xlabel(_ORDER)
        figure.text(0.1 / WIDTH, 0.5, _axis_label("peak amplitude", frame.unit), rotation=90, va="center", ha="center")
        return figure


def standing_strip(rows: Sequence[Standing], reach: float) -> "Figure":
    """One row a level: this motor with its 95 % interval, the band and each of the others, and its own baseline; 0 is the others' middle.

    rows: at least one; reach: half width of the axis, dB, the same for all motors of a craft
    """
    with style():
        figure, ax = _one(0.6 + 0.21 * len(rows), left=1.75, right=0.2, top=0.1)
        ax.axvline(0, color=_INK["muted"], linewidth=1)
        for at, row in enumerate(rows):
            ax.barh(at, 2 * row.half_band, left=-row.half_band, height=0.7, color=_INK["others"], linewidth=0)
            ax.plot(row.others, [at] * len(row.others), "o", color=_INK["muted"], markersize=3.5, fillstyle="none")
            if row.before is not None:
                ax.plot(row.before, at, "D", color=_INK["baseline"], markersize=4, fillstyle="none")
            ax.errorbar(row.difference, at, xerr=row.u95, fmt="o", color=_INK["this"], markersize=4.5, capsize=2.5, elinewidth=1.3)
        ax.set_yticks(range(len(rows)), [SHORT.get(row.name, row.name) for row in rows])
        ax.set_ylim(len(rows) - 0.5, -0.5)
        ax.set_xlim(-reach, reach)
        ax.tick_params(axis="y", length=0)
        ax.grid(axis="x", color=_INK["rule"], linewidth=0.6)
        ax.set_xlabel("level against the middle of the other motors, dB")
        return figure


def run_up(reading: Reading) -> "Figure | None":
    """Stacked lines of amplitude against shaft speed with 95 % band, one a curve whose abscissa is in rpm; None when there is none."""
    curves = [curve for curve in reading.curves if curve.x_unit == "rpm"]
    if not curves:
        return None
    with style():
        figure, axes = _rows(len(curves), 0.85)
        for ax, curve in zip(axes, curves, strict=True):
            ax.plot(curve.x, curve.y, color=_INK["this"], linewidth=1.1)
            if curve.u95 is not None:
                ax.fill_between(curve.x, curve.y - curve.u95, curve.y + curve.u95, color=_INK["others"], linewidth=0, zorder=1)
            ax.set_ylim(0, 1.25 * max(float(c.y.max()) for c in curves if c.y_unit == curve.y_unit))
            ax.set_xlim(min(float(c.x.min()) for c in curves), max(float(c.x.max()) for c in curves))
            at = int(curve.y.argmax())
            ax.plot(curve.x[at], curve.y[at], "o", color=_INK["this"], markersize=3.5)
            _corner(ax, f"{curve.kind}: largest at {curve.x[at]:.0f} rpm")
            ax.set_ylabel(unit_words(curve.y_unit))
        for ax in axes[:-1]:
            ax.tick_params(labelbottom=False)
        axes[-1].set_xlabel("shaft speed, rpm")
        return figure


def one_turn(reading: Reading) -> "Figure | None":
    """What repeats from turn to turn against the angle from the tacho's mark, with 95 % band; None where there is no average."""
    curve = reading.curve("one turn")
    if curve is None:
        return None
    with style():
        figure, ax = _one(1.6, top=0.12)
        ax.plot(curve.x, curve.y, color=_INK["this"], linewidth=1.1)
        if curve.u95 is not None:
            ax.fill_between(curve.x, curve.y - curve.u95, curve.y + curve.u95, color=_INK["others"], linewidth=0, zorder=1)
        ax.set(xlim=(0, 360), xticks=range(0, 361, 90), xlabel="angle from the mark, degrees", ylabel=unit_words(curve.y_unit))
        return figure


def speed_map(seen: SpeedMap, resonances: Sequence[float] = ()) -> "Figure":
    """Spectra of a run-up as lines stacked at their shaft speed; a resonance is a dashed line, upright in Hz, bent in orders.

    resonances: Hz. A bar beside the lowest line shows the scale of amplitude.
    """
    with style():
        figure, ax = _one(4.2, left=0.72, top=0.4)
        low, high = float(seen.rpm[0]), float(seen.rpm[-1])
        tallest = float(seen.amplitude[:, 1:].max())
        spacing = (high - low) / max(len(seen.rpm) - 1, 1)
        lift = 4 * spacing / max(tallest, np.finfo(float).tiny)
        for rpm, line in zip(seen.rpm[::-1], seen.amplitude[::-1], strict=True):
            ax.fill_between(seen.x, rpm, rpm + lift * line, color=_INK["paper"], linewidth=0, zorder=2 - rpm / high)
            ax.plot(seen.x, rpm + lift * line, color=_INK["this"], linewidth=0.7, zorder=2 - rpm / high)
        ax.set_xlim(0, float(seen.x[-1]))
        ax.set_ylim(low - 1.5 * spacing, high + 4.5 * spacing)
        by_order = seen.x_unit == "order"
        for tier, hz in enumerate(sorted(resonances)):
            at = 60 * hz / seen.rpm if by_order else np.full(seen.rpm.size, hz)
            inside = at <= seen.x[-1]
            if inside.any():
                ax.plot(at[inside], seen.rpm[inside], color=_INK["ink"], linewidth=1, linestyle=(0, (4, 2)), zorder=3)
                mixed = ax.get_xaxis_transform()
                height = 1.01 + 0.045 * (tier % 2)
                ax.text(at[inside][-1], height, f"{hz:.0f} Hz", transform=mixed, ha="center", va="bottom", fontsize=_SMALL)
        if not by_order:
            for order in (1, 2, 3, 4):
                ax.plot(order * seen.rpm / 60, seen.rpm, color=_INK["muted"], linewidth=0.6, zorder=0.5)
                ax.text(order * low / 60, low - 0.3 * spacing, f"{order}x", ha="center", va="top", fontsize=_SMALL)
        bar = _round_down(tallest / 2)
        x = 1.02 * float(seen.x[-1])
        ax.plot([x, x], [low, low + lift * bar], color=_INK["ink"], linewidth=2, solid_capstyle="butt", clip_on=False)
        ax.text(1.01 * x, low + lift * bar / 2, f"{bar:g} {unit_words(seen.unit)}".rstrip(), va="center", fontsize=_SMALL, clip_on=False)
        ax.set_xlabel(_ORDER if by_order else f"frequency, {seen.x_unit}")
        ax.set_ylabel("shaft speed, rpm")
        return figure


def to_svg(figure: "Figure", prefix: str) -> str:
    """Write a figure as an SVG element to stand inside a page.

    Its ids start with `prefix` and its colours are the page's variables (`var(--this)`), so that it follows light and dark.
    The same figure gives the same text.
    """
    handle = io.StringIO()
    with style():
        figure.savefig(handle, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    svg = handle.getvalue()
    svg = re.sub(
        r"<metadata>.*?</metadata>\s*|<!--.*?-->\s*|<style.*?</style>\s*|font-family: [^;]*; ",
        "",
        svg[svg.index("<svg") :],
        flags=re.DOTALL,
    )
    svg = re.sub(r"<[^>]+>", lambda tag: re.sub(r"(\d\.\d\d)\d+", r"\1", tag[0]), svg)  # hundredths of a point in attributes
    svg = re.sub(r'(id="|url\(#|href="#)([A-Za-z])', rf"\g<1>{prefix}-\g<2>", svg)
    for name, ink in PALETTE.items():
        svg = svg.replace(f": {ink.light}", f": var(--{name})")
    return svg


@contextmanager
def style() -> Iterator[None]:
    """Give the look of every plot while figures are made and written."""
    from matplotlib import rc_context

    with rc_context(_RC):
        yield


def _one(height: float, *, left: float = _LEFT, right: float = _RIGHT, top: float) -> "tuple[Figure, Axes]":
    """One axes with margins in inch."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH, height))
    box = (left / WIDTH, _BOTTOM / height, 1 - (left + right) / WIDTH, 1 - (_BOTTOM + top) / height)
    return figure, figure.add_axes(box)


def _rows(n: int, each: float, *, top: float = 0.12) -> "tuple[Figure, list[Axes]]":
    """`n` axes under each other, each of this height in inch with the gap above it."""
    from matplotlib.figure import Figure

    height = n * each + _BOTTOM + top
    figure = Figure(figsize=(WIDTH, height))
    left, width, tall = _LEFT / WIDTH, 1 - (_LEFT + _RIGHT) / WIDTH, (each - _GAP) / height
    return figure, [figure.add_axes((left, (_BOTTOM + (n - 1 - i) * each) / height, width, tall)) for i in range(n)]


def _spectrum(ax: "Axes", kind: str, reading: Reading, frame: Frame, baselines: Sequence[Reading], others: Sequence[Reading]) -> None:
    """Draw the curves of this kind, each named at its right end; those in another unit than the frame's are not drawn."""
    _frame(ax, frame)
    ax.set_xlabel(_ORDER)
    ends: list[tuple[float, str, str]] = []
    if theirs := [curve for other in others if (curve := other.curve(kind)) is not None and curve.y_unit == frame.unit]:
        x, low, high = span(theirs, frame)
        ax.fill_between(x, low, high, color=_INK["others"], linewidth=0, gid="others")
        ends.append((float(np.median(high[-20:])), "others", "muted"))
    if own := [curve for base in baselines if (curve := base.curve(kind)) is not None and curve.y_unit == frame.unit]:
        x, _, high = span(own, frame)
        ax.plot(x, high, color=_INK["baseline"], linewidth=1.0, linestyle=(0, (3, 1)), gid="baseline")
        ends.append((float(np.median(high[-20:])), "baseline", "baseline"))
    curve = reading.curve(kind)
    assert curve is not None
    x, y = tallest(curve, frame)
    ax.plot(x, y, color=_INK["this"], linewidth=0.9, gid="this")
    ends.append((float(np.median(y[-20:])), "this motor", "this"))
    if (floor := reading.curve(f"{kind} floor")) is not None:
        x, y = tallest(floor, frame)
        ax.plot(x, y, color=_INK["muted"], linewidth=1.1, linestyle=(0, (1, 1.5)))
        ends.append((float(np.median(y[-20:])), "noise", "muted"))
    _name_at_end(ax, ends)


def _frame(ax: "Axes", frame: Frame) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, MaxNLocator, NullLocator

    if not frame.is_level:
        ax.set_yscale("log")
        ax.yaxis.set_major_locator(LogLocator(subs=(1.0,) if frame.high > 100 * frame.low else (1.0, 2.0, 5.0), numticks=6))
        ax.yaxis.set_major_formatter(FuncFormatter(_power_of_ten))
        ax.yaxis.set_minor_locator(NullLocator())
    ax.set_xlim(0, frame.order_max)
    ax.set_ylim(frame.low, frame.high)
    ax.xaxis.set_major_locator(MaxNLocator(10, integer=True))
    ax.grid(axis="y", color=_INK["rule"], linewidth=0.6)


def _power_of_ten(value: float, _: int) -> str:
    power = round(math.log10(value), 6)
    return f"10{superscript(int(power))}" if power.is_integer() else f"{value:.3g}"


def _label_orders(ax: "Axes", marks: Sequence[tuple[float, str]], frame: Frame, height: float = 2.0) -> None:
    """Name orders above the axes in up to three tiers, each with a thin line down; what finds no room has only the line.

    height: of the axes, inch
    """
    mixed = ax.get_xaxis_transform()
    letter, tall = 0.55 * _SMALL / 72, 0.155 / height
    ends = [-1.0, -1.0, -1.0]
    for order, name in sorted(mark for mark in set(marks) if 0 < mark[0] <= frame.order_max):
        at = order / frame.order_max * (WIDTH - _LEFT - _RIGHT)
        half = 0.5 * len(name) * letter
        tier = next((i for i, end in enumerate(ends) if at - half > end), None)
        top = 1 + 0.06 / height + tall * (tier or 0)
        ax.plot([order, order], [0, top], transform=mixed, color=_INK["muted"], linewidth=0.5, clip_on=False, zorder=0.5)
        if tier is not None:
            ends[tier] = at + half + 0.06
            box = {"facecolor": _INK["paper"], "linewidth": 0, "pad": 0.8}
            ax.text(order, top, name, transform=mixed, ha="center", va="bottom", fontsize=_SMALL, bbox=box, zorder=4)


def _name_at_end(ax: "Axes", names: Sequence[tuple[float, str, str]]) -> None:
    """Name curves at their right end, at least a line of text apart."""
    last = -1.0
    for level, name, ink in sorted(names):
        at = ax.transLimits.transform(ax.transScale.transform((1.0, max(level, ax.get_ylim()[0]))))[1]
        last = max(at, last + 0.075, 0.02)
        ax.text(1.015, last, name, transform=ax.transAxes, va="center", color=_INK[ink], fontsize=_SMALL + 0.5)


def _corner(ax: "Axes", text: str) -> None:
    box = {"facecolor": _INK["paper"], "linewidth": 0, "pad": 0.8}
    ax.text(1.0, 1.0, text, transform=ax.transAxes, ha="right", va="top", weight="bold", bbox=box)


def _round_down(value: float) -> float:
    """The largest 1, 2 or 5 with zeros that is not above."""
    power = 10.0 ** math.floor(math.log10(value)) if value > 0 else 1.0
    return power * max(digit for digit in (1, 2, 5) if digit * power <= max(value, power))


def _axis_label(name: str, unit: str) -> str:
    words = unit_words(unit)
    return f"{name}, {words}" if words else name
