"""Painting with four live channels of 48 kHz, and an archive of ten thousand readings."""

import os
import threading
import time
from datetime import UTC, datetime, timedelta
from functools import partial
from statistics import median

import numpy as np
import pyqtgraph as pg
import pytest
import sqlalchemy as sa
from PySide6.QtCore import QSettings

from tests.readings import READING
from vibekit.archive import Archive
from vibekit.capture.take import Form
from vibekit.craft_file import craft_from, craft_text
from vibekit.gui.app import application
from vibekit.gui.live import look_for_speed
from vibekit.gui.session import Session
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.packing import pack
from vibekit.place import find_place
from vibekit.recording import Channel
from vibekit.scene import POSITIONS, described
from vibekit.tables import CraftVersionRow, ReadingRow, RecordingRow

RATE = 48_000
FORM = Form(RATE, tuple(Channel(name=str(n)) for n in range(4)), "four invented channels")
BLOCK = 512
READINGS, CRAFTS = 10_000, 100


class Turning:
    """Four channels of a motor, delivered in time from a thread as a sound card would; from 60 to 150 turns a second where it speeds up."""

    def __init__(self, *, speeds_up):
        self.form = FORM
        hz = np.linspace(60, 150, 10 * RATE) if speeds_up else np.full(10 * RATE, 100.0)
        turns = np.cumsum(hz) / RATE
        rng = np.random.default_rng(1)
        shaft = sum(0.1 / k * np.sin(2 * np.pi * k * turns) for k in (1, 2, 3, 4))
        self._samples = np.stack([shaft + rng.normal(0, 1e-3, hz.size) for _ in range(4)], axis=1).astype(np.float32)
        self._stopped = threading.Event()

    def start(self, push):
        self._thread = threading.Thread(target=self._play, args=(push,), daemon=True)
        self._thread.start()

    def _play(self, push):
        began = time.monotonic()
        for first in range(0, len(self._samples), BLOCK):
            late = time.monotonic() - began - (first + BLOCK) / RATE
            if self._stopped.wait(max(-late, 0.0)) or not push(self._samples[first : first + BLOCK]):
                return

    def stop(self):
        self._stopped.set()
        self._thread.join()

    def trouble(self):
        return ""


class Plain:
    """The same curves in as many bare plots of pyqtgraph, as large and over the same ranges: what drawing them costs at least."""

    def __init__(self, plots):
        self._pairs = [(plot, pg.PlotWidget()) for plot in plots]
        for plot, view in self._pairs:
            view.resize(plot.view.size())
            view.setRange(rect=plot.box.viewRect(), padding=0)
            view.show()
        self._curves = [[] for _ in plots]

    def paint(self):
        for (plot, view), drawn in zip(self._pairs, self._curves, strict=True):
            ours = [item for item in plot.item.items if isinstance(item, pg.PlotCurveItem)]
            while len(drawn) < len(ours):
                drawn.append(pg.PlotCurveItem(pen=ours[len(drawn)].opts["pen"], antialias=False))
                view.addItem(drawn[-1])
            for bare, item in zip(drawn, ours, strict=True):
                bare.setData(*item.getData(), connect=item.opts["connect"])
            view.viewport().repaint()

    def close(self):
        for _, view in self._pairs:
            view.close()


@pytest.mark.parametrize("test", ["prop", "run-up"])
def test_four_live_channels_are_painted_thirty_times_a_second(qtbot, tmp_path, benchmark, monkeypatch, test):
    """The window as it is used: recorder, 30 ms timer, speed looked for beside it. A paint, with all that the painting thread does for it,
    is held against one of bare plots in the same second; 30 paints a second are asked for where the machine has a core to give.
    """
    looked = []

    def look(*args):
        looked.append(threading.get_ident())
        return look_for_speed(*args)

    monkeypatch.setattr("vibekit.gui.live_panel.look_for_speed", look)
    application()
    with Session(find_place(tmp_path / "archive")) as session:
        window = Window(session, QSettings(str(tmp_path / "w.ini"), QSettings.Format.IniFormat), Look())
        qtbot.addWidget(window)
        session.add_craft(described())
        session.show(session.gather("Wren-4"))
        window.resize(1280, 720)
        window.show()
        window.measure("south-west", test)
        page = window.page
        page.choose_source("sound card")
        if test == "prop":
            page.speed.setText("6000")
        panel, row = page.live, page.live.row
        row.open(lambda: Turning(speeds_up=test == "run-up"))
        qtbot.waitUntil(lambda: panel.paints > 20, timeout=30_000)
        plain = Plain([plot for plot in (panel.level, panel.spectrum, panel.orders, panel.map) if plot.isVisible()])
        plain.paint()
        rates, costs, floors = [], [], []
        for _ in range(5):
            qtbot.wait(100)  # what has gathered while the bare plots were painted
            began, spent, paints = time.monotonic(), time.thread_time(), panel.paints
            qtbot.wait(800)
            elapsed = time.monotonic() - began
            rates.append((panel.paints - paints) / elapsed)
            costs.append((time.thread_time() - spent) / (panel.paints - paints))
            spent = time.thread_time()
            for _ in range(15):
                plain.paint()
            floors.append((time.thread_time() - spent) / 15)
        plain.close()
        ratio = median(costs) / median(floors)
        busy = os.getloadavg()[0] > (os.cpu_count() or 1)
        row.recorder.stop()
        qtbot.waitUntil(lambda: not row.state, timeout=30_000)
        window.workers.finish()
        benchmark.extra_info |= {"paints a second": max(rates), "ratio to bare plots": ratio}
        benchmark.pedantic(window.grab, rounds=3)
        window.close()
    assert looked
    assert threading.get_ident() not in looked
    assert ratio < 2.2  # usually 1.6 to 1.8, on a busy machine 1.2 to 1.8; half as much again would be 2.4 and more
    assert busy or max(rates) >= 30


@pytest.fixture(scope="module")
def full(tmp_path_factory):
    """An archive of READINGS readings of CRAFTS craft, rows only: no one looks at the recordings."""
    folder = tmp_path_factory.mktemp("full")
    craft = described()
    reading = pack(READING)
    with Archive(find_place(folder)) as archive:
        for number in range(CRAFTS):
            named = craft_text(craft).replace('"Wren-4"', f'"Wren-{number:03d}"')
            archive.put_craft(named, craft_from(named, "wren.toml"))
        with archive.writing() as session:
            versions = {row.craft: row.id for row in session.scalars(sa.select(CraftVersionRow))}
            day = datetime(2026, 1, 1, tzinfo=UTC)
            files, rows = [], []
            for number in range(READINGS):
                name, when = f"Wren-{number % CRAFTS:03d}", day + timedelta(hours=number)
                sha = f"{number:064x}"
                files.append({"sha256": sha, "suffix": ".wav", "name": f"{number}.wav", "size": 1, "added_at": when})
                rows.append(
                    {
                        "id": f"{number:032x}", "craft": name, "version": versions[name], "position": POSITIONS[number // CRAFTS % 4],
                        "recording": sha, "test": "prop", "setup": "", "settings": reading["settings"], "reader": {}, "engine": "0",
                        "reading": {**reading, "sha256": sha}, "taken_at": when, "added_at": when,
                    }
                )  # fmt: skip
            session.execute(sa.insert(RecordingRow), files)
            session.execute(sa.insert(ReadingRow), rows)
    return folder


def cpu_s(work):
    """CPU time of a piece of work, seconds."""
    began = time.process_time()
    work()
    return time.process_time() - began


def test_ten_thousand_readings_open_and_choose_at_once(full, qtbot, tmp_path):
    """CPU of this process, in paintings of the whole window: opening 1 000 at most, choosing a rotor 40."""
    application()
    began = time.process_time()
    with Session(find_place(full)) as session:
        window = Window(session, QSettings(str(tmp_path / "w.ini"), QSettings.Format.IniFormat), Look())
        qtbot.addWidget(window)
        window.show()
        window.start()
        qtbot.waitUntil(lambda: session.bench is not None, timeout=60_000)
        opened = time.process_time() - began
        assert sum(len(motor.kept) for motor in session.bench.case.motors) == READINGS // CRAFTS
        slowest = 0.0
        for page in window.pages:
            window.go(page)
            paint = min(cpu_s(window.grab) for _ in range(3))
            chosen = min(cpu_s(partial(session.choose, position)) for position in ("north-east", "south-west", "north-east"))
            assert chosen < 40 * paint, page
            slowest = max(slowest, paint)
        window.close()
    assert opened < 1000 * slowest
