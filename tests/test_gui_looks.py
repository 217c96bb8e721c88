"""The window looked at, or set to work that keeps nothing: one stands open for every test."""

import csv
import gc
import json
import shutil
import threading
import weakref

import numpy as np
import pytest
from PySide6.QtCore import Qt
from PySide6.QtGui import QImage
from PySide6.QtWidgets import QLabel
from pytestqt.qtbot import QtBot

from tests.drawn import highest
from tests.windows import answer, card, opening, rest
from vibekit.gui.export import ENDINGS
from vibekit.gui.plot import Plot


@pytest.fixture(scope="module")
def standing(request, qapp, wren_bench, tmp_path_factory):
    """A window on an archive for all of them: to open one takes seconds."""
    folder = tmp_path_factory.mktemp("standing")
    shutil.copytree(wren_bench / "archive", folder / "archive")
    with opening(QtBot(request), folder) as open_on:
        yield open_on(folder / "archive")


def test_choosing_a_rotor_drives_every_page(standing, qtbot):
    for name in standing.pages:
        standing.go(name)
    qtbot.mouseClick(card(standing, "north-west"), Qt.MouseButton.LeftButton)
    assert standing.strip.key.position == "north-west"
    standing.go("compare")
    assert standing.page.over.title.text() == "north-west, over the others"
    standing.go("past")
    assert standing.page.trend.title.text().startswith("north-west")
    qtbot.keyClick(standing, Qt.Key.Key_3, Qt.KeyboardModifier.ControlModifier)
    assert standing.session.position == "south-west"
    assert standing.page.trend.title.text().startswith("south-west")


def test_bars_stand_on_the_drawn_scale_with_whiskers_and_band(standing, qtbot):
    standing.session.choose("north-west")
    standing.go("compare")
    qtbot.wait(30)
    row = next(row for row in standing.page.member.rows if row.name == "half orders")
    pixel = np.ptp(standing.page.bars.box.viewRange()[1]) / standing.page.bars.box.height()
    assert highest(standing.page.bars, "this")[1] == pytest.approx(row.difference, abs=2 * pixel)
    assert highest(standing.page.bars, "ink")[1] == pytest.approx(row.difference + row.u95, abs=2 * pixel)


def test_a_point_of_the_past_stands_at_its_day(standing, qtbot):
    standing.session.choose("south-west")
    standing.go("past")
    qtbot.wait(30)
    page = standing.page
    day, value = page.history.moments[-1].timestamp(), page.history.values[-1]
    x, y = page.trend.place_of(page.trend.scene_of(day, value))
    assert (x, y) == (pytest.approx(day, abs=60), pytest.approx(value))
    assert page.history.moments[-1].astimezone().strftime("%Y-%m-%d") in page.trend.say(x, y)
    axis = page.trend.item.getAxis("bottom")
    texts = [t for spacing, values in axis.tickValues(*axis.range, axis.width()) for t in axis.tickStrings(values, 1, spacing)]
    assert texts


def test_a_plot_is_kept_as_a_picture_or_as_its_numbers(standing, qtbot, tmp_path, monkeypatch):
    standing.session.choose("south-west")
    standing.go("compare")
    qtbot.wait(30)
    plot, line = standing.page.over, standing.page.member.reading.orders[1]
    for ending in ENDINGS:
        answer(monkeypatch, tmp_path / "plot", f"numbers (*.{ending})")
        qtbot.mouseClick(plot.keep_button, Qt.MouseButton.LeftButton)
    image = QImage(str(tmp_path / "plot.png"))
    assert image.width() == 2 * plot.width()
    assert len({image.pixel(x, image.height() // 2) for x in range(image.width())}) > 3
    rows = list(csv.reader((tmp_path / "plot.csv").read_text(encoding="utf-8").splitlines()))
    assert rows[0] == ["series", "order (multiples of shaft speed)", "peak amplitude, FS", "u95"]
    (told,) = [row for row in rows if row[0] == "lines" and float(row[1]) == line.order]
    assert [float(cell) for cell in told[2:]] == pytest.approx([line.amplitude, line.u95])
    kept = json.loads((tmp_path / "plot.json").read_text(encoding="utf-8"))
    assert kept["y"] == {"quantity": "peak amplitude", "unit": "FS"}
    own = next(one for one in kept["series"] if one["name"] == "south-west")
    curve = standing.page.member.reading.curve("order")
    assert max(own["y"]) == pytest.approx(curve.y[(curve.x > 0.2) & (curve.x < 20)].max())


def test_every_plot_gives_its_numbers(standing, qtbot):
    """Whatever is drawn can be kept; nothing is drawn that has no name but frames, bands and limits."""
    standing.session.choose("south-west")
    for name in ("compare", "past"):
        standing.go(name)
        qtbot.wait(10)
        for plot in standing.page.findChildren(Plot):
            drawn = plot.drawn
            assert drawn.title
            assert drawn.series
            assert all(one.x.shape == one.y.shape for one in drawn.series)


def test_work_that_is_done_lets_go_of_what_it_worked_on(standing, qtbot):
    class Sound:
        pass

    sound = Sound()
    gone = weakref.ref(sound)
    standing.workers.start("look", lambda step, sound=sound: id(sound), lambda found: None)
    del sound
    rest(qtbot, standing)
    gc.collect()
    assert gone() is None


def test_stopping_all_leaves_alone_what_somebody_waits_for(standing, qtbot):
    done, going = [], threading.Event()
    standing.workers.start("finish", lambda step: going.wait(10), done.append, needed=True)
    standing.workers.start("look", lambda step: (going.wait(10), step(0.6, "looking")), lambda found: done.append("look"))
    standing.workers.cancel()
    going.set()
    rest(qtbot, standing)
    assert done == [True]


def test_every_page_has_units_on_its_axes_and_cautions_stand_where_hands_come_near(standing, qtbot):
    for name, page in standing.pages.items():
        standing.go(name)
        qtbot.wait(10)
        for plot in page.findChildren(Plot):
            assert plot.item.getAxis("left").labelText or plot.title.isHidden()
        if name in ("look", "measure"):
            texts = [label.text() for label in page.findChildren(QLabel, "caution")]
            assert any("Battery out" in text for text in texts)
