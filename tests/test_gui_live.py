"""Live: what is heard while it is recorded, through a real sound card made of software; nothing recorded is lost."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PySide6.QtCore import QSettings, Qt

from tests import balance_runs
from tests.drawn import highest
from tests.null_sink import RATE, lacking, null_sink
from tests.shaft_sounds import coloured, orders
from vibekit.balance_bench import open_job
from vibekit.capture.journal import unfinished
from vibekit.capture.recorder import Glance
from vibekit.capture.take import Form
from vibekit.gui.app import application
from vibekit.gui.live import Live, look_for_speed
from vibekit.gui.live_vector import look_for_vector
from vibekit.gui.map_plot import MapPlot
from vibekit.gui.session import Session, Stated
from vibekit.gui.sources import roles_for
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.place import find_place
from vibekit.reading import SpeedMap
from vibekit.recording import Channel, Recording
from vibekit.rig import record
from vibekit.scene import bench_craft
from vibekit.settings import Settings
from vibekit.vector import vector_of

ROOT = Path(__file__).resolve().parent.parent
WAIT_MS = 60_000
FORM = Form(48_000, (Channel(), Channel(role="tacho", name="2")), "an invented device")


def glance_of(samples, seconds):
    rms = np.sqrt((samples**2).mean(axis=1))
    return Glance("recording", seconds, 0, np.abs(samples).max(axis=1), rms, samples[:, -16384:].astype(np.float32))


def tone(hz, seconds, amplitude=0.1, rate=48_000):
    t = np.arange(round(seconds * rate)) / rate
    noise = np.random.default_rng(5).normal(0, 1e-4, t.size)
    return np.stack([amplitude * np.sin(2 * np.pi * hz * t) + noise, np.zeros_like(t)]).astype(np.float32)


def test_a_tone_stands_at_its_frequency_its_order_and_its_level():
    live = Live(FORM, Settings(test="prop", speed_rpm=6000.0))
    heard = live.hear(glance_of(tone(200.0, 0.5), 0.5))
    spectrum = heard.spectra[0]
    at = int(spectrum.values.argmax())
    assert spectrum.frequency[at] == pytest.approx(200.0, abs=spectrum.step_hz)
    assert spectrum.values[at] == pytest.approx(0.1, rel=0.16)  # Hann window, between two bins up to 1.42 dB low
    curve = heard.orders[0]
    assert curve.x[int(curve.y.argmax())] == pytest.approx(2.0, abs=curve.resolution)
    assert heard.level_db == (pytest.approx(20 * np.log10(0.1 / np.sqrt(2)), abs=0.05),)
    assert heard.units == ("FS",)


def shaft_sound(hz, seconds):
    """Channels of FORM: orders of a shaft, the second the strongest, over coloured noise."""
    rng = np.random.default_rng(2)
    speed = np.full(round(seconds * 48_000), hz)
    x = 0.1 * (orders(rng, speed, 48_000, {1: -6, 2: 0, 3: -12, 4: -6}) + coloured(rng, speed.size))
    return np.stack([x, np.zeros_like(x)]).astype(np.float32), speed


def test_the_last_seconds_are_joined_without_a_seam():
    live = Live(FORM, Settings())
    whole = tone(100.0, 1.2)
    for end in range(4800, whole.shape[1] + 1, 4800):
        live.hear(glance_of(whole[:, :end], end / 48_000))
    assert np.array_equal(live.newest.samples, whole)
    live.hear(glance_of(whole, 5.0))  # much was not seen: begin anew
    assert live.newest is None or live.newest.samples.shape[1] == 16384


def test_a_speed_is_found_in_what_was_heard_and_forgotten_when_it_is_lost():
    """The rig's own speed is the truth."""
    recording, truth = record(bench_craft(), rotor=0, test="prop", duration_s=3.0)
    rate = recording.rate_hz
    live = Live(Form(rate, recording.channels, "the rig"), Settings(test="prop", blades=bench_craft().blades))
    whole = np.asarray(recording.samples, np.float32)
    for end in range(round(0.3 * rate), whole.shape[1] + 1, round(0.3 * rate)):
        live.hear(glance_of(whole[:, :end], end / rate))
    found = look_for_speed(live.newest, live.settings)
    assert found.speed.rpm == pytest.approx(truth.mean_rpm, rel=2e-3)
    live.know(found)
    assert live.hear(glance_of(whole, 3.1)).orders
    live.hear(glance_of(whole, 9.0))
    live.know(None)
    assert live.speed is None


def test_a_run_up_grows_an_order_map():
    live = Live(FORM, Settings(test="run-up"))
    for hz in (60.0, 80.0, 100.0, 120.0):
        x, _ = shaft_sound(hz, 1.0)
        live.know(look_for_speed(Recording(x, 48_000, FORM.channels), Settings(test="prop", speed_rpm=60 * hz)))
    found = live.map
    assert found.rpm == pytest.approx([3600, 4800, 6000, 7200], rel=3e-3)
    assert found.x[found.amplitude.argmax(axis=1)] == pytest.approx([2.0] * 4, abs=0.06)  # the strongest order of the sound


def turning(hz, amplitude, lead_deg, seconds=3.0, rate=48_000, pulses=True):
    """Channels of FORM: a line once a turn that leads the pulse, its second order, noise; and one short pulse a turn."""
    turns = hz * np.arange(round(seconds * rate)) / rate
    noise = np.random.default_rng(11).normal(0, 1e-3 * amplitude, turns.size)
    x = amplitude * (np.cos(2 * np.pi * turns + np.radians(lead_deg)) + 0.3 * np.cos(4 * np.pi * turns)) + noise
    pulse = np.where(turns % 1 < 0.05, 0.8, 0.0) if pulses else np.random.default_rng(12).normal(0, 1e-4, turns.size)
    return Recording(np.stack([x, pulse]).astype(np.float32), rate, FORM.channels)


def test_the_live_vector_has_the_amplitude_and_the_lead_over_the_pulse():
    """By construction: 1x leads the rising edge of the pulse by as much."""
    settings, job = Settings("prop", blades=2), balance_runs.job()
    found = look_for_vector(turning(100.0, 0.1, 60.0), settings, job)
    assert abs(found.value) == pytest.approx(0.1, rel=2e-3)
    assert np.degrees(np.angle(found.value)) == pytest.approx(60.0, abs=0.4)  # the edge lies between two samples 0.75 degrees apart
    assert found.rpm == pytest.approx(6000, abs=1)
    assert found.share is None
    assert found.u95 < 1e-3
    before = job.add(balance_runs.take(0.2, 0, rpm=6000.0)).add(balance_runs.take(0.2, 1, rpm=6000.0))
    assert look_for_vector(turning(100.0, 0.1, 60.0), settings, before).share == pytest.approx(0.5, rel=2e-3)
    faster = look_for_vector(turning(102.0, 0.1, 60.0), settings, before)  # the force goes as the square of speed
    assert faster.share == pytest.approx(0.5 / 1.02**2, rel=2e-3)


def test_the_live_vector_says_why_there_is_none():
    settings, job = Settings("prop", blades=2), balance_runs.job().add(balance_runs.take(0.2, 0, rpm=6000.0))
    assert "no tacho pulses" in look_for_vector(turning(100.0, 0.1, 60.0, pulses=False), settings, job).trouble
    off = look_for_vector(turning(110.0, 0.1, 60.0), settings, job)
    assert (off.value, off.trouble) == (None, "it turns at 6600 rpm, wanted is 6000 rpm within 3 %: set the speed")
    still = Recording(np.random.default_rng(1).normal(0, 1e-3, (2, 48_000)).astype(np.float32), 48_000, FORM.channels)
    assert "no steady shaft speed" in look_for_vector(still, settings, balance_runs.job("amplitude", ("blades@45", "hub@6"), 2)).trouble


def test_channels_are_offered_as_a_device_has_them():
    assert [roles for _, roles in roles_for(1)] == [("vibration",)]
    two = dict(roles_for(2))
    assert two["left vibration, right tacho"] == ("vibration", "tacho")
    assert two["left tacho, right vibration"] == ("tacho", "vibration")
    many = [roles for _, roles in roles_for(32)]
    assert ("vibration", "vibration", "vibration", "tacho") in many
    assert max(map(len, many)) == 4


@pytest.mark.parametrize("unit", ["order", "Hz"])
def test_a_line_of_the_map_stands_at_its_place_and_speed(qtbot, unit):
    application()
    x = np.linspace(0, 10, 401) * (1 if unit == "order" else 60)
    rpm = np.linspace(3000, 9000, 13)
    amplitude = np.full((13, 401), 1e-5)
    amplitude[12, 160] = 1.0  # order 4 or 240 Hz, at 9000 rpm
    plot = MapPlot(Look())
    qtbot.addWidget(plot)
    plot.resize(800, 500)
    plot.show()
    plot.show_map(SpeedMap("order map", x, rpm, amplitude, unit, "m/s2", 0.1))
    qtbot.waitExposed(plot)
    qtbot.wait(20)
    at, height = highest(plot, "this")
    assert at == pytest.approx(x[160], abs=3 * (x[-1] / plot.box.width()))
    assert height == pytest.approx(9000 + 3 * 500, abs=60)
    said = plot.say(x[160], 9000.0)
    assert said.startswith("9000 rpm · order ")
    assert said.endswith("1 m/s²")
    assert f"order {160 * 0.025:.3g}" in said if unit == "order" else "240.0 Hz" in said


@pytest.fixture(scope="module")
def sink(tmp_path_factory):
    if why := lacking():
        pytest.skip(f"no software microphone here: {why}")
    with null_sink(tmp_path_factory.mktemp("sink")) as running:
        yield running


@pytest.fixture
def window(qtbot, wren_bench, tmp_path):
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    application()
    with Session(find_place(tmp_path / "archive")) as session:
        made = Window(session, QSettings(str(tmp_path / "w.ini"), QSettings.Format.IniFormat), Look())
        qtbot.addWidget(made)
        made.show()
        made.start()
        rest(qtbot, made)
        yield made
        made.close()


def rest(qtbot, window):
    qtbot.waitUntil(lambda: not window.workers.busy, timeout=WAIT_MS)
    qtbot.wait(30)


def begin(qtbot, window, seconds):
    """Choose the software microphone and press Record."""
    window.go("measure")
    page = window.page
    page.choose_test("bare")
    page.choose_source("sound card")
    start(qtbot, page.live.row, seconds)
    return page, page.live.row


def start(qtbot, row, seconds):
    """Choose the software microphone in a row of choices and press its button."""
    row.devices.setCurrentIndex(next(n for n in range(row.devices.count()) if row.devices.itemText(n).startswith("vibe")))
    row.length.setValue(seconds)
    qtbot.mouseClick(row.go, Qt.MouseButton.LeftButton)
    qtbot.waitUntil(lambda: row.state == "recording", timeout=WAIT_MS)


def test_a_live_test_on_a_sound_card_is_seen_screened_and_kept(window, qtbot, sink, tmp_path):
    window.session.choose("north-west")
    sound = tone(1000.0, 8.0, 0.25)[0]
    soundfile.write(tmp_path / "tone.wav", np.stack([sound, sound], 1), RATE, subtype="PCM_16")
    player = sink.play(tmp_path / "tone.wav")
    qtbot.wait(300)
    page, _ = begin(qtbot, window, 4)
    live = page.live
    window.turn()
    assert window.look.theme == "light"  # not while it is recorded
    qtbot.waitUntil(lambda: live.paints > 15 and live._levels[-1][1][0] > -20, timeout=WAIT_MS)
    hz, height = highest(live.spectrum, "this")
    assert hz == pytest.approx(1000, abs=2 * live.spectrum.home[1] / live.spectrum.box.width())
    assert height == pytest.approx(0.25, rel=0.25)
    window.session.choose("north-east")  # the take stays of the rotor that it began with
    qtbot.waitUntil(lambda: bool(page.pending), timeout=WAIT_MS)
    player.terminate()
    assert page.pending[0].position == "north-west"
    assert page.pending[0].reading.duration_s == pytest.approx(4.0, abs=0.01)
    assert page.pending[0].file.exists()


def test_balancing_with_a_tacho_on_the_right_channel_shows_the_vector_and_adds_the_run(window, qtbot, sink, tmp_path):
    """The rig plays: what is seen live is what the whole recording says, and that is one run of the job."""
    recording, _ = record(bench_craft(), rotor=2, test="prop", tacho=True, duration_s=15.0)
    whole = vector_of(recording, window.session.settings_of(Stated("south-west", "prop")))
    volume = 0.9 / np.abs(recording.samples).max()
    soundfile.write(tmp_path / "run.wav", volume * recording.samples.T, round(recording.rate_hz), subtype="PCM_16")
    window.session.choose("south-west")
    window.go("balance")
    page = window.page
    qtbot.mouseClick(page.begin, Qt.MouseButton.LeftButton)
    assert page.row.isVisible()
    player = sink.play(tmp_path / "run.wav")
    qtbot.wait(800)
    start(qtbot, page.row, 5)
    assert page.row.roles.currentText() == "left vibration, right tacho"
    assert [channel.role for channel in page.live.form.channels] == ["vibration", "tacho"]
    qtbot.waitUntil(lambda: page.now.value is not None and page.live.newest.duration_s > 2, timeout=WAIT_MS)
    window.session.choose("north-east")  # it stays with the rotor that is recorded
    assert page.bench.job.position == "south-west"
    now = page.now
    assert abs(now.value) == pytest.approx(volume * abs(whole.values[0]), rel=0.05)
    assert abs(np.angle(now.value / whole.values[0], deg=True)) < 5
    assert now.rpm == pytest.approx(whole.rpm, rel=5e-3)
    assert "1x" in page.said.text()
    assert any(one.name == "now" for one in page.polar.drawn.series)
    qtbot.waitUntil(lambda: not page.busy and not window.workers.busy, timeout=WAIT_MS)
    player.terminate()
    rest(qtbot, window)
    kept = open_job(window.session.archive, "Wren-4", "south-west").job
    assert len(kept.now.takes) == 1
    assert kept.now.takes[0].vector.has_phase
    assert abs(kept.now.takes[0].vector.values[0] / (volume * whole.values[0]) - 1) < 0.05


def test_closing_keeps_what_is_being_recorded(window, qtbot, sink):
    page, _ = begin(qtbot, window, 30)
    qtbot.waitUntil(lambda: page.live.paints > 5, timeout=WAIT_MS)
    window.close()
    folder = window.session.place.takes
    assert unfinished(folder) == []
    (file,) = [path for path in folder.iterdir() if path.suffix in (".wav", ".flac")]
    assert soundfile.info(file).duration > 0.1


def test_a_fault_of_the_analysis_leaves_the_recording(window, qtbot, sink, monkeypatch, capsys):
    def broken(*_):
        raise RuntimeError("a fault of the kit")

    monkeypatch.setattr("vibekit.analysis.analyze", broken)
    _, row = begin(qtbot, window, 1)
    qtbot.waitUntil(lambda: "nothing that was recorded is lost" in window.message.text(), timeout=WAIT_MS)
    assert "a fault of the kit" in capsys.readouterr().err
    assert [path for path in window.session.place.takes.iterdir() if path.suffix in (".wav", ".flac")]
    assert row.state == ""


RECORDING = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from PySide6.QtCore import QSettings
from tests.streams import Stream, numbered
from vibekit.gui.app import application
from vibekit.gui.session import Session, Stated
from vibekit.gui.sources import roles_for
from vibekit.gui.theme import Look
from vibekit.gui.window import Window
from vibekit.place import find_place

app = application()
session = Session(find_place(sys.argv[2]))
window = Window(session, QSettings(sys.argv[2] + "/w.ini", QSettings.Format.IniFormat), Look())
session.show(session.gather("Wren-4"))
session.choose("south-east")
window.go("measure")
pieces = ((number / 100, numbered(480 * number, 480), 0, "") for number in range(100_000))
window.page.live.row.length.setValue(0)
window.page.live.row.open(lambda: Stream(pieces))
window.page.live.row.began.connect(lambda *_: print("recording", flush=True))
app.exec()
"""


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is of POSIX")
def test_killed_while_recording_the_recording_is_offered_at_the_next_start(qtbot, wren_bench, tmp_path):
    shutil.copytree(wren_bench / "archive", tmp_path / "archive")
    code = [sys.executable, "-c", RECORDING, str(ROOT), str(tmp_path / "archive")]
    with subprocess.Popen(code, stdout=subprocess.PIPE, text=True, env=os.environ | {"QT_QPA_PLATFORM": "offscreen"}) as killed:
        assert killed.stdout.readline().strip() == "recording"
        time.sleep(2.0)
        killed.send_signal(signal.SIGKILL)
    application()
    with Session(find_place(tmp_path / "archive")) as session:
        window = Window(session, QSettings(str(tmp_path / "w.ini"), QSettings.Format.IniFormat), Look())
        qtbot.addWidget(window)
        window.show()
        window.start()
        rest(qtbot, window)
        assert window.cut_off.isVisible()
        assert "Wren-4, south-east, bare" in window.cut_off.words.text()
        qtbot.mouseClick(window.cut_off.keep, Qt.MouseButton.LeftButton)
        page = window.pages["measure"]
        qtbot.waitUntil(lambda: bool(page.pending), timeout=WAIT_MS)
        assert page.pending[0].position == "south-east"
        assert page.pending[0].reading.duration_s > 0.5
        assert not window.cut_off.isVisible()
        window.close()
