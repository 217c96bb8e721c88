"""Every view through its drawn axis: what is known stands at its place, read back from the painted pixels."""

import cmath
import gc
import math
import os
import shutil
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PySide6.QtCore import QSettings
from PySide6.QtWidgets import QApplication

from tests import balance_runs, wren4
from tests.drawn import highest, pixels, place_of, places, ticks
from vibekit.capture.recorder import Glance
from vibekit.capture.take import Form
from vibekit.drawings import groups_of
from vibekit.gui.app import application
from vibekit.gui.live import Live
from vibekit.gui.live_vector import LiveVector
from vibekit.gui.polar_plot import PolarPlot
from vibekit.gui.rotor_sketch import RotorSketch
from vibekit.gui.session import Session
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.handspin import COAST, FROM_RPM
from vibekit.history import Alarm, History
from vibekit.place import find_place
from vibekit.reading import Curve, Quantity
from vibekit.recording import Channel
from vibekit.scene import POSITIONS
from vibekit.settings import Settings
from vibekit.spots import Weight, spots_from
from vibekit.trend import Trend

RATE = 48_000


@pytest.fixture(scope="module")
def shared(qapp, wren_bench, tmp_path_factory):
    """The window at its smallest size, on the Wren-4."""
    folder = tmp_path_factory.mktemp("views")
    shutil.copytree(wren_bench / "archive", folder / "archive")
    application()
    with Session(find_place(folder / "archive")) as session:
        made = Window(session, QSettings(str(folder / "w.ini"), QSettings.Format.IniFormat), Look())
        made.resize(1280, 720)
        made.show()
        session.show(session.gather("Wren-4"))
        yield made, session.bench
        made.close()


@pytest.fixture
def window(shared):
    """The same window for every test, with what the archive says."""
    made, bench = shared
    made.session.show(bench)
    return made


def pixel(plot):
    """Data units of one pixel, across and up."""
    return [np.ptp(side) / size for side, size in zip(plot.box.viewRange(), (plot.box.width(), plot.box.height()), strict=True)]


def with_groups(window, readings):
    """Show readings made by hand in the place of those of the archive."""
    session = window.session
    session.show(replace(session.bench, groups=groups_of([(position, [reading], ()) for position, reading in readings.items()])))


def test_a_line_of_the_envelope_stands_at_its_order_and_level(window, qtbot):
    made = {}
    for position, reading in wren4.readings().items():
        level = np.zeros(1000)
        level[round(2.46 / 0.03)] = 14.0 if position == "south-west" else 1.0  # dB over the noise
        envelope = Curve("envelope", np.arange(1000) * 0.03, level, "order", "dB over noise", 0.045)
        made[position] = replace(reading, curves=(*(c for c in reading.curves if c.kind != "envelope"), envelope))
    with_groups(window, made)
    window.session.choose("south-west")
    window.go("compare")
    page = window.page
    page.kinds.setCurrentIndex(page.kinds.findData("envelope"))
    qtbot.wait(30)
    across, up = pixel(page.over)
    order, height = highest(page.over, "this")
    assert order == pytest.approx(2.46, abs=1.5 * across)
    assert height == pytest.approx(14.0, abs=1.5 * up)
    assert page.over.upward[1] == "dB over noise"
    assert ticks(page.over, "bottom")["2"] == 2.0


def test_a_motor_that_runs_down_passes_each_speed_at_its_time(window, qtbot):
    """Viscous drag alone: the speed falls as exp(-t / tau), so from 500 to 300 rpm takes tau ln(5/3)."""
    made = {}
    for position, tau in zip(POSITIONS, (1.2, 1.1, 0.4, 1.3), strict=True):
        time = np.linspace(0, 3 * tau, 200)
        curve = Curve(f"{COAST} 1", time, 900 * np.exp(-time / tau), "s", "rpm", 0.01)
        known = Quantity("coast time", tau * math.log(500 / 150), 0.02, "s")
        one = wren4.reading(position, wren4.WELL, test="hand-spin")
        made[position] = replace(one, curves=(curve,), quantities=(known,))
    with_groups(window, made)
    window.session.choose("south-west")
    window.go("compare")
    qtbot.wait(30)
    plot = window.page.over
    across, up = pixel(plot)
    found = places(plot, "this")
    for speed in (600.0, FROM_RPM, 300.0, 200.0):
        row = found[np.abs(found[:, 1] - speed) <= 0.6 * up]
        fall = speed / 0.4  # rpm a second: what a pixel of height is across
        assert row[:, 0].mean() == pytest.approx(0.4 * math.log(500 / speed), abs=across + up / fall)
    bars = window.page.bars
    assert highest(bars, "ink")[1] == pytest.approx(1.3 * math.log(500 / 150) + 0.02, abs=1.5 * pixel(bars)[1])


def hear(panel, samples, settings, seconds=1.0):
    form = Form(RATE, tuple(Channel(name=str(n + 1)) for n in range(len(samples))), "an invented device")
    live = Live(form, settings)
    panel.begin(live)
    rms, peak = np.sqrt((samples**2).mean(axis=1)), np.abs(samples).max(axis=1)
    panel.show_heard(live.hear(Glance("recording", seconds, 0, peak, rms, samples[:, -16384:].astype(np.float32))), live)


def test_live_lines_stand_at_their_frequency_order_and_level(window, qtbot):
    window.go("measure")
    window.page.choose_source("sound card")
    panel = window.page.live
    t = np.arange(RATE) / RATE
    noise = np.random.default_rng(3).normal(0, 1e-5, t.size)
    hear(panel, (0.1 * np.sin(2 * np.pi * 250.0 * t) + noise)[None], Settings("prop", speed_rpm=6000.0))
    qtbot.wait(30)
    for plot, place in ((panel.spectrum, 250.0), (panel.orders, 2.5)):
        at, height = highest(plot, "this")
        assert at == pytest.approx(place, abs=1.5 * pixel(plot)[0] + place * 6 / 250)  # and one bin of 5.9 Hz
        assert height == pytest.approx(0.1, rel=0.2)  # a Hann window between two bins: up to 1.42 dB
        assert ticks(plot, "left")["10⁻²"] == pytest.approx(-2.0)
    for button in (panel.spectrum.scale_button, panel.orders.scale_button):
        button.click()
    hear(panel, (0.1 * np.sin(2 * np.pi * 250.0 * t) + noise)[None], Settings("prop", speed_rpm=6000.0))
    qtbot.wait(30)
    for plot in (panel.spectrum, panel.orders):
        assert highest(plot, "this")[1] == pytest.approx(0.1, rel=0.2)


def test_the_live_level_stands_at_its_decibels_and_channels_are_named(window, qtbot):
    window.go("measure")
    window.page.choose_source("sound card")
    panel = window.page.live
    t = np.arange(RATE) / RATE
    sound = np.array([a * np.sin(2 * np.pi * 250.0 * t) for a in (0.5, 0.05)])
    hear(panel, sound, Settings("prop"), 5.0)
    panel.show_heard(again(panel, sound, 9.0), panel.live)
    qtbot.wait(30)
    for ink, amplitude in (("this", 0.5), ("baseline", 0.05)):
        assert highest(panel.level, ink)[1] == pytest.approx(20 * np.log10(amplitude / np.sqrt(2)), abs=1.5 * pixel(panel.level)[1])
    assert panel.level.upward == ("", "dB re full scale")
    assert "1" in panel.level.title.text()
    assert "2" in panel.level.title.text()
    assert [one.name for one in panel.level.drawn.series] == ["channel 1", "channel 2"]


def again(panel, samples, seconds):
    rms, peak = np.sqrt((samples**2).mean(axis=1)), np.abs(samples).max(axis=1)
    return panel.live.hear(Glance("recording", seconds, 0, peak, rms, samples[:, -16384:].astype(np.float32)))


def test_limits_and_an_alarm_stand_at_their_days_and_levels(window, qtbot, monkeypatch):
    """A level that climbs by 2 dB a week over limits known by hand."""
    first = datetime(2026, 1, 5, 12, tzinfo=UTC)
    weeks = tuple(first + timedelta(days=7 * n) for n in range(8))
    values = np.array([-40.0, -40.0, -40.0, -40.0, -38.0, -36.0, -34.0, -32.0])
    limits = tuple((day, -33.0 - 0.25 * n) for n, day in enumerate(weeks) if n > 1)
    alarm = Alarm("roughness", weeks[4], weeks[6])
    own = SimpleNamespace(test="bare", alarms=(alarm,))
    made = History(
        "roughness", "dB", weeks, values, np.full(8, 0.1), 6000.0, -40.0, -37.5, -35.0, "", limits, Trend(8.6, 2.0, 8, 49.0), alarm
    )
    monkeypatch.setattr("vibekit.gui.past_page.history_of", lambda *_: made)
    monkeypatch.setattr("vibekit.gui.past_page.own_pasts", lambda *_: (own,))
    window.session.choose("south-west")
    window.go("past")
    qtbot.wait(30)
    page = window.page
    plot = page.trend
    across, up = pixel(plot)
    drawn = places(plot, "act")
    line = drawn[np.abs(drawn[:, 0] - weeks[6].timestamp()) < 1.5 * across]
    assert np.ptp(line[:, 1]) > 0.9 * np.ptp(plot.box.viewRange()[1])  # the alarm, up through the plot
    limit = drawn[np.abs(drawn[:, 0] - weeks[4].timestamp()) < 12 * across]  # dashed: one of its dashes is near
    assert limit[:, 1].mean() == pytest.approx(-34.0, abs=3 * up)
    assert highest(plot, "this") == (pytest.approx(weeks[7].timestamp(), abs=4 * across), pytest.approx(-31.9, abs=6 * up))
    assert "<b>Alarm on 2026-02-16</b>: it has climbed since 2026-02-02." in page.note.text()
    assert "It rises by 8.6 ± 2.0 dB in 30 days, over 8 sittings." in page.note.text()
    assert "since 2026-02-02" in page.alarms.text()
    assert "alarm limit" in {one.name for one in plot.drawn.series}


@pytest.mark.parametrize("degrees", [20.0, 130.0, 247.0])
def test_a_vector_stands_at_its_angle_and_as_long_as_its_rings_say(qtbot, degrees):
    """Measured against the drawn rings and spokes alone, in pixels."""
    application()
    plot = PolarPlot(Look(), "1x", "m/s2")
    qtbot.addWidget(plot)
    plot.resize(600, 600)
    plot.show()
    plot.rings(0.9)
    plot.arrow(cmath.rect(0.9, math.radians(degrees)), "", "this")
    qtbot.waitExposed(plot)
    qtbot.wait(20)
    rings = pixels(plot, "rule").astype(float)
    middle = (rings.max(axis=0) + rings.min(axis=0)) / 2
    outer = np.ptp(rings[:, 0]) / 2  # the outermost ring
    assert plot.reach == pytest.approx(1.5)
    assert "1.5 m/s²" in [item.toPlainText() for item in plot.item.items if hasattr(item, "toPlainText")]
    away = pixels(plot, "this") - middle
    size = np.hypot(*away.T)
    tip = away[size > size.max() - 2 * 3.5].mean(axis=0)  # the dot is 7 pixels wide
    assert np.hypot(*tip) / outer * plot.reach == pytest.approx(0.9, abs=0.9 * 5 / outer)
    assert math.degrees(math.atan2(-tip[1], tip[0])) % 360 == pytest.approx(degrees, abs=2.0)
    assert plot.say(*place_of(plot, tip + middle)).endswith("°")


def test_by_amplitude_alone_a_vector_is_a_circle_of_its_size(qtbot):
    application()
    plot = PolarPlot(Look(), "1x", "g")
    qtbot.addWidget(plot)
    plot.resize(600, 600)
    plot.show()
    plot.rings(0.3)
    plot.circle(0.2, "", "this")
    qtbot.waitExposed(plot)
    qtbot.wait(20)
    outer, drawn = (np.ptp(pixels(plot, ink)[:, 0]) / 2 for ink in ("rule", "this"))
    assert drawn / outer * plot.reach == pytest.approx(0.2, abs=0.005)


def test_the_live_vector_is_drawn_over_what_was_before(window, qtbot):
    """Before it was found at 0.4 at 90 degrees; now it is half of that at 0."""
    window.session.choose("south-east")
    window.go("balance")
    page = window.page
    page.begin_job()
    bench, job = page.bench, page.bench.job
    for number in range(job.repeats):
        job = job.add(balance_runs.take(0.4j, number))
    bench.job = job.mount("trial", ())
    page.show_job()
    assert not page.taking.isHidden()
    page.row.state = "recording"
    page.show_now(LiveVector(0.2 + 0j, 0.004, "m/s2", 10_000.0, 1.0, 0.5))
    page.row.state = ""
    qtbot.wait(30)
    now, before = (places(page.polar, ink) for ink in ("this", "baseline"))
    assert now[:, 0].max() == pytest.approx(0.2, abs=0.02)
    assert np.abs(now[:, 1]).max() < 0.02
    assert before[:, 1].max() == pytest.approx(0.4, abs=0.02)
    assert page.said.text() == "Now 1x 0.2000 ± 0.0040 m/s² at 0°: 50\N{NO-BREAK SPACE}% of what it was as found"


@pytest.mark.parametrize(("hand", "side"), [("clockwise", 1), ("counter-clockwise", -1), (None, -1)])
def test_weights_are_drawn_where_they_go_in_the_direction_of_rotation(qtbot, hand, side):
    """90 degrees on from the mark, which is above, is to the right where the rotor turns clockwise seen from above."""
    application()
    spots = spots_from(["blades@45", "hub@6"], 2)
    at = {spot.angle_deg: spot for spot in spots if spot.radius_mm == 6}
    sketch = RotorSketch(Look(), 2, hand, spots, (Weight(at[90.0], 0.076), Weight(spots[0], 0.004)))
    qtbot.addWidget(sketch)
    sketch.show()
    place, mark = sketch.place(at[90.0]), sketch.place(spots[0])
    assert (place.x() - 90) * side > 20
    assert place.y() == pytest.approx(90)
    assert (mark.x(), mark.y() < 60) == (pytest.approx(90), True)
    image = sketch.grab().toImage()
    for where in (place, mark):
        assert image.pixelColor(where.toPoint()) == Look().ink("this")
    assert "0.076 g at hub at 90°, 90 degrees" in sketch.accessibleName()


def test_a_point_of_the_past_stands_at_its_day_and_level(window, qtbot):
    window.session.choose("south-west")
    window.go("past")
    page = window.page
    page.names.setCurrentIndex(page.names.findData("roughness"))
    qtbot.wait(30)
    plot, past = page.trend, page.history
    across, up = pixel(plot)
    day, value = highest(plot, "this")
    top = int((past.values + past.u95).argmax())
    assert day == pytest.approx(past.moments[top].timestamp(), abs=4 * across)
    assert past.values[top] - up <= value <= past.values[top] + past.u95[top] + 5 * up  # dot or whisker
    midnight = datetime.fromisoformat("2026-05-09").astimezone().timestamp()  # the day of the landing
    assert ticks(plot, "bottom").get("09") == pytest.approx(midnight) or any(
        datetime.fromtimestamp(at).strftime("%d") == text for text, at in ticks(plot, "bottom").items() if text.isdecimal()
    )


def test_an_order_grows_to_its_height_at_its_speed(window, qtbot):
    """1x of an unbalance grows as the square of speed."""
    reading = wren4.reading("north-east", wren4.WELL, test="run-up")
    rpm = np.linspace(3000, 9000, 61)
    curve = Curve("1x", rpm, 0.09 * (rpm / 9000) ** 2, "rpm", "g", 100.0)
    window.go("run-up")
    window.page._draw_growth(replace(reading, curves=(curve,)))
    qtbot.wait(30)
    plot = window.page.growth
    across, up = pixel(plot)
    assert highest(plot, "this") == (pytest.approx(9000, abs=3 * across), pytest.approx(0.09, abs=2 * up))
    found = places(plot, "this")
    row = found[np.abs(found[:, 0] - 6000) < across]
    assert row[:, 1].mean() == pytest.approx(0.04, abs=2 * up)


def resident():
    """Memory of this process that is in use, bytes."""
    pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is read where Linux tells it")
def test_repaints_leave_nothing_behind(window, qtbot):
    """The live page, its speed looked for beside it: 200 repaints here, 20 000 where VIBEKIT_REPAINTS says so.

    PySide6 6.12.0 loses references to None and True at each repaint, which ends Python 3.11. Those to None may grow, with nothing that
    holds them: the binding gains a few whenever an axis moves, as that of the level does after 20 s.
    """
    many = int(os.environ.get("VIBEKIT_REPAINTS", "200"))
    window.go("measure")
    window.page.choose_source("sound card")
    panel = window.page.live
    t = np.arange(RATE) / RATE
    sound = 0.1 * np.sin(2 * np.pi * 250.0 * t)[None] + np.random.default_rng(3).normal(0, 1e-3, (1, t.size))
    hear(panel, sound, Settings("prop", speed_rpm=6000.0))
    sounds = [np.roll(sound, 1600 * number, axis=1) for number in range(8)]
    kept = []
    for number in range(many):
        panel.show_heard(again(panel, sounds[number % 8], 1 + number / 30), panel.live)
        panel.grab()
        QApplication.processEvents()
        if number in (many // 4, many - 1):
            window.workers.finish()
            gc.collect()
            kept.append([sys.getrefcount(None), sys.getrefcount(True), len(gc.get_objects()), resident()])
    none, true, objects, memory = np.diff(kept, axis=0)[0]
    print(f"{many} repaints: None {none:+d}, True {true:+d}, objects {objects:+d}, memory {memory / 1e6:+.2f} MB")
    if sys.version_info < (3, 12):
        assert min(none, true) > -0.5 * many
        assert true < 0.5 * many
    assert abs(objects) < 1.5 * many
    assert memory < 14e6 + 500 * many  # buffers fill in the first hundreds
