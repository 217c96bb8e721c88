"""Plots of the window: a known tone stands at its place through the drawn axis, and what the cross hair and the keys say and do."""

import numpy as np
import pytest
from PySide6.QtCore import QPointF, Qt

from tests.drawn import highest
from tests.wren4 import reading
from vibekit.frame import frame_of, tallest
from vibekit.gui.app import application
from vibekit.gui.plot import Plot, figures
from vibekit.gui.spectrum_plot import draw_frame, say_at, spectrum_plot
from vibekit.gui.theme import Look

LOOK = Look("light", 1.0)


@pytest.fixture(autouse=True)
def _application(qapp):
    application()


def shown(qtbot, plot, width=900, height=420):
    qtbot.addWidget(plot)
    plot.resize(width, height)
    plot.show()
    qtbot.waitExposed(plot)
    qtbot.wait(20)
    return plot


def tick_at(plot, name, value):
    """Where the drawn axis puts the words of a value, in data coordinates."""
    axis = plot.item.getAxis(name)
    levels = axis.tickValues(axis.range[0], axis.range[1], axis.width() if name == "left" else axis.height())
    texts = {t: v for spacing, values in levels for v, t in zip(values, axis.tickStrings(values, 1.0, spacing), strict=True)}
    return texts[value]


@pytest.mark.parametrize("log", [True, False])
def test_a_tone_stands_at_its_order_and_height(qtbot, log):
    motor = reading("north-east", {1.0: 0.04, 7.0: 0.006}, seed=1)
    frame = frame_of("order", [motor])
    plot = spectrum_plot(LOOK, "one motor", "order", frame)
    plot.log = log
    plot.item.getAxis("left").setLogMode(x=False, y=log)
    draw_frame(plot, frame)
    plot.curve(*tallest(motor.curve("order"), frame), "this")
    shown(qtbot, plot)
    order, height = highest(plot, "this")
    pixel = frame.order_max / plot.box.width()
    assert order == pytest.approx(1.0, abs=1.5 * pixel)
    true = motor.curve("order").y[50]
    assert height == pytest.approx(true, rel=0.06)
    assert tick_at(plot, "bottom", "7") == pytest.approx(7.0)
    if log:
        assert tick_at(plot, "left", "10⁻²") == pytest.approx(-2.0)


def test_the_cross_hair_says_order_frequency_and_amplitude(qtbot):
    motor = reading("north-east", {1.0: 0.04}, seed=1)
    frame = frame_of("order", [motor])
    plot = spectrum_plot(LOOK, "one motor", "order", frame)
    plot.say = lambda x, y: say_at(motor, plot, x, y)
    draw_frame(plot, frame)
    shown(qtbot, plot)
    place = plot.view.mapFromScene(plot.scene_of(2.0, 0.01))
    qtbot.mouseMove(plot.view.viewport(), place)
    plot._moved(QPointF(plot.scene_of(2.0, 0.01)))
    hz = 2.0 * motor.speed.rpm / 60
    assert plot.readout.text() == f"order 2 · {hz:.1f} Hz · 0.01 g"
    assert all(line.isVisible() for line in plot._cross)


def test_keys_move_zoom_and_come_back(qtbot):
    plot = Plot(LOOK, "a plot", ("shaft speed", "rpm"), ("peak amplitude", "m/s2"), log=True)
    plot.frame(0, 100, 1e-4, 1)
    shown(qtbot, plot)
    plot.view.setFocus()
    qtbot.keyClick(plot.view, Qt.Key.Key_Right)
    assert plot.box.viewRange()[0] == pytest.approx([10, 110])
    qtbot.keyClicks(plot.view, "+")
    assert np.ptp(plot.box.viewRange()[0]) == pytest.approx(80)
    qtbot.keyClicks(plot.view, "0")
    assert plot.box.viewRange() == pytest.approx(np.array([[0, 100], [-4, 0]]))
    with qtbot.waitSignal(plot.rescaled):
        qtbot.keyClicks(plot.view, "l")
    assert not plot.log
    with qtbot.waitSignal(plot.keep_wanted):
        qtbot.keyClicks(plot.view, "p")


def test_axes_say_quantity_and_unit(qtbot):
    plot = Plot(LOOK, "a plot", ("shaft speed", "rpm"), ("peak amplitude", "m/s2"))
    assert plot.item.getAxis("bottom").labelText == "shaft speed, rpm"
    assert plot.item.getAxis("left").labelText == "peak amplitude, m/s²"


def test_a_click_gives_the_place_in_data_coordinates(qtbot):
    plot = Plot(LOOK, "a plot", ("order", ""), ("level", "dB"))
    plot.frame(0, 20, -60, 0)
    shown(qtbot, plot)
    with qtbot.waitSignal(plot.pressed) as pressed:
        place = plot.view.mapFromScene(plot.scene_of(5.0, -20.0))
        qtbot.mouseClick(plot.view.viewport(), Qt.MouseButton.LeftButton, pos=place)
    assert pressed.args == pytest.approx([5.0, -20.0], abs=0.3)


@pytest.mark.parametrize(
    ("value", "words"), [(0.0, "0"), (0.0123456, "0.01235"), (-12.0, "−12"), (4.2e-6, "4.20·10⁻⁶"), (float("nan"), "–")]
)
def test_figures_of_a_readout(value, words):
    assert figures(value) == words
