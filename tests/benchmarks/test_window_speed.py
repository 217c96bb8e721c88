"""Painting: the window's own thread, measured with four channels of 48 kHz; the source is synthetic, since only painting is measured."""

import time
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
import sqlalchemy as sa
from PySide6.QtCore import QSettings

from tests.readings import READING
from vibekit.archive import Archive
from vibekit.capture.recorder import Glance
from vibekit.capture.take import Form
from vibekit.craft_file import craft_from, craft_text
from vibekit.gui.app import application
from vibekit.gui.live import Live, look_for_speed
from vibekit.gui.session import Session
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.packing import pack
from vibekit.place import find_place
from vibekit.recording import Channel, Recording
from vibekit.scene import POSITIONS, described
from vibekit.settings import Settings
from vibekit.tables import CraftVersionRow, ReadingRow, RecordingRow

RATE = 48_000
FORM = Form(RATE, tuple(Channel(name=str(n)) for n in range(4)), "four invented channels")
READINGS, CRAFTS = 10_000, 100


def sounds(hz, seconds=4.0):
    t = np.arange(round(seconds * RATE)) / RATE
    rng = np.random.default_rng(1)
    rows = [sum(0.1 / k * np.sin(2 * np.pi * k * hz * t) for k in (1, 2, 3, 4)) + rng.normal(0, 1e-3, t.size) for _ in range(4)]
    return np.array(rows, np.float32)


@pytest.mark.parametrize("test", ["prop", "run-up"])
def test_four_live_channels_are_painted_thirty_times_a_second(qtbot, tmp_path, benchmark, test):
    """CPU of the painting thread a frame, spectra and order spectra or map of four channels. At 30 frames a second 60 % of a core are
    20 ms; measured alone on a quiet machine it is a quarter of that.
    """
    application()
    with Session(find_place(tmp_path / "archive")) as session:
        window = Window(session, QSettings(str(tmp_path / "w.ini"), QSettings.Format.IniFormat), Look())
        qtbot.addWidget(window)
        session.add_craft(described())
        session.show(session.gather("Wren-4"))
        window.show()
        window.go("measure")
        window.page.choose_source("sound card")
        panel, live = window.page.live, Live(FORM, Settings(test=test, speed_rpm=6000.0))
        panel.begin(live)
        if test == "run-up":
            for rpm in np.linspace(3000, 9000, 40):
                live.know(look_for_speed(_heard(sounds(rpm / 60, 0.3)), Settings(test="prop", speed_rpm=rpm)))
        whole = sounds(100.0)
        at = 0

        def frame():
            nonlocal at
            at += RATE // 30
            part = whole[:, : 16384 + at % RATE]
            glance = Glance("recording", at / RATE, 0, np.full(4, 0.2), np.full(4, 0.1), part[:, -16384:])
            panel.show_heard(live.hear(glance), live)
            window.grab()

        frame()
        began = time.thread_time()
        count = 20
        for _ in range(count):
            frame()
        spent = (time.thread_time() - began) / count
        benchmark.extra_info["ms a frame"] = 1e3 * spent
        benchmark.pedantic(frame, rounds=3)
        window.workers.finish()
        assert spent < 0.6 / 30 * 3  # grab() paints the whole window, the event loop only what changed; and the machine may be slow
        window.close()


def _heard(samples):
    return Recording(samples, RATE, FORM.channels)


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


def test_ten_thousand_readings_open_and_choose_at_once(full, qtbot, tmp_path):
    """CPU of this process: opening under 2 s, choosing a rotor under 0.2 s."""
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
        for page in window.pages:
            window.go(page)
            session.choose("north-east")
            began = time.process_time()
            session.choose("south-west")
            chosen = time.process_time() - began
            assert chosen < 0.2, page
        window.close()
    assert opened < 2.0
