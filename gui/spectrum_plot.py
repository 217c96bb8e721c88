"""Plots of spectra against order: their axes, scales and readout."""

from vibekit.frame import Frame
from vibekit.gui.plot import Plot, figures
from vibekit.gui.theme import Look
from vibekit.reading import Reading
from vibekit.wording import unit_words

ORDER = ("order (multiples of shaft speed)", "")


def kind_words(kind: str) -> str:
    """Name what a curve of this kind gives."""
    return {"order": "peak amplitude", "envelope": "squared envelope"}.get(kind, kind)


def spectrum_plot(look: Look, title: str, kind: str, frame: Frame, *, bare: bool = False, bottom: bool = True) -> Plot:
    """Make an empty plot for spectra in a frame. bare: without its line of words; bottom: with numbers under its axis."""
    made = Plot(look, title, ORDER, (kind_words(kind), frame.unit), log=not frame.is_level)
    if bare:
        for widget in (made.title, made.readout, made.scale_button, made.whole_button, made.keep_button):
            widget.hide()
        made.item.getAxis("left").setLabel("")
    if not bottom:
        made.item.getAxis("bottom").setStyle(showValues=False)
        made.item.getAxis("bottom").setLabel("")
        made.item.getAxis("bottom").setHeight(look.px(6))
    return made


def draw_frame(plot: Plot, frame: Frame) -> None:
    """Show the whole frame, on a linear scale from zero."""
    plot.frame(
        0.0,
        frame.order_max,
        frame.low if plot.log or frame.is_level else 0.0,
        frame.high if plot.log or frame.is_level else frame.high / 1.8,
    )


def say_at(reading: Reading, plot: Plot, order: float, value: float) -> str:
    """Say a place of an order spectrum: order, frequency at the mean speed, value."""
    hz = f" · {order * reading.speed.rpm / 60:.1f} Hz" if reading.speed.rpm else ""
    return f"order {order:.3g}{hz} · {figures(value)} {unit_words(plot.upward[1])}"
