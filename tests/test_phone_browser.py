"""The page in a real Chromium: its fake microphone plays a file, its sensors are emulated, its buttons are pressed."""

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from tests.browsers import RATE, browser_playing, page_of, take, to_record
from tests.phones import plan, serving
from tests.test_imports import ROOT
from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.capture.files import read_recording
from vibekit.capture.finishing import UNTOLD
from vibekit.judging import judge_motor
from vibekit.marks import PALETTE
from vibekit.place import find_place
from vibekit.rig import Fault, draw_craft, record
from vibekit.turning import WAYS

TONE_HZ, TONE = 1000.0, 0.25
NO_TRACK = "delete window.MediaStreamTrackProcessor"
PROCESSED = """const read = MediaStreamTrack.prototype.getSettings;
MediaStreamTrack.prototype.getSettings = function () { return { ...read.call(this), autoGainControl: true, sampleRate: 16000 }; };"""

SILENT = "AudioData.prototype.copyTo = (out) => out.fill(0)"


@pytest.fixture(scope="module")
def browser(playwright, tmp_path_factory):
    """Hears a tone that fits its file, so that it goes on without a break."""
    sound = TONE * np.sin(2 * np.pi * TONE_HZ * np.arange(60 * RATE) / RATE)
    with browser_playing(playwright, tmp_path_factory.mktemp("tone"), sound) as started:
        yield started


def fitted(sound):
    """Amplitude and frequency of a sine, and the largest rest: from its phase in blocks of 50 whole periods, and their slope."""
    size = round(50 * RATE / TONE_HZ)
    blocks = sound[: sound.size // size * size].reshape(-1, size).astype(float)
    carrier = np.exp(-2j * np.pi * 50 * np.arange(size) / size)
    seen = 2 / size * blocks @ carrier
    slope = np.polyfit(np.arange(len(seen)), np.unwrap(np.angle(seen)), 1)[0]
    turned = np.exp(1j * slope * (np.arange(len(seen))[:, None] + np.arange(size) / size))
    phasor = 2 * np.mean([np.mean(block * turn.conj() * carrier) for block, turn in zip(blocks, turned, strict=True)])
    rest = max(np.max(np.abs(block - (phasor * turn / carrier).real)) for block, turn in zip(blocks, turned, strict=True))
    return abs(phasor), TONE_HZ + slope / (2 * np.pi) * RATE / size, rest


def test_a_tone_comes_through_whole(browser, tmp_path):
    """From the track: no gap, amplitude within 0.1 %, frequency within 1e-6, on the file's own clock.

    VIBEKIT_PHONE_SECONDS makes the take longer than 3 s. Chromium scales 16 bits by 1/32767, hence a rest of 3e-5 of full scale.
    On a busy computer its fake microphone stands still for some 10 ms now and then, and goes on where it was in its file: a clock tells
    that (in takes of more than 5 s), and the rest that no sample is missing for it.
    """
    seconds = float(os.environ.get("VIBEKIT_PHONE_SECONDS", "3"))
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url) as page:
        to_record(page)
        began = time.process_time()
        take(page, seconds)
        used = time.process_time() - began
    (delivery,) = bench.deliveries
    recording = read_recording(delivery.path)
    amplitude, frequency, rest = fitted(recording.samples[0])
    assert [lost for lost in recording.lost if lost.why != UNTOLD] == []
    assert recording.source.processed == delivery.notes == ()
    assert (recording.rate_hz, delivery.position, delivery.sensor) == (RATE, "north-east", "microphone")
    assert recording.duration_s > seconds - 0.5
    assert amplitude == pytest.approx(TONE, rel=1e-3)
    assert frequency == pytest.approx(TONE_HZ, rel=1e-6)
    assert rest < 1e-4
    assert used < 0.1 * seconds + 0.5, "a tenth of a core, and half a second for the start and the sound file"


def test_without_the_track_a_worklet_takes_the_sound(browser, tmp_path):
    """As in browsers other than Chromium: what comes through whole is the tone.

    The fake microphone runs by another clock than the audio graph. Between them Chromium now and then fills in zeros, which are marked,
    or leaves samples out without a word, the more the busier the computer is: such fifths of a second are the fewer.
    """
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url, NO_TRACK) as page:
        to_record(page)
        take(page, 3)
    recording = read_recording(bench.deliveries[0].path)
    assert recording.rate_hz == RATE
    size = RATE // 5
    starts = range(0, recording.samples.shape[1] - size, size)
    fits = [fitted(recording.samples[0, start : start + size]) for start in starts]
    whole = [fit for fit in fits if fit[2] < 1e-3]
    assert len(whole) > 0.6 * len(fits) > 5
    assert [amplitude for amplitude, _, _ in whole] == pytest.approx([TONE] * len(whole), rel=1e-3)
    assert [frequency for _, frequency, _ in whole] == pytest.approx([TONE_HZ] * len(whole), rel=1e-6)


def test_sound_that_the_browser_processed_is_marked(browser, tmp_path):
    with serving(tmp_path, plan(seconds=2.0)) as bench, page_of(browser, bench.server.link.url, PROCESSED) as page:
        to_record(page)
        page.get_by_role("button", name="Record sound").click()
        page.get_by_role("button", name="Record another").wait_for()
        assert "gain control is off" in page.locator("#note").text_content()
    recording = read_recording(bench.deliveries[0].path)
    assert recording.source.processed == ("gain control", f"resampled from 16000 to {RATE} Hz")
    assert recording.samples.shape[1] == 2 * RATE


def test_motion_is_offered_with_its_limits(browser, tmp_path):
    """Readings pushed at 50 a second, 7 Hz of 2 m/s2: found again, with Chromium's rounding to 0.1 m/s2."""
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url, permissions=["accelerometer"]) as page:
        sensors = page.context.new_cdp_session(page)
        for kind in ("accelerometer", "linear-acceleration", "gravity", "gyroscope"):
            can = {"available": True, "minimumFrequency": 1, "maximumFrequency": 200}
            sensors.send("Emulation.setSensorOverrideEnabled", {"enabled": True, "type": kind, "metadata": can})

        def push(i):
            reading = {"xyz": {"x": 2 * np.sin(2 * np.pi * 7 * i / 50), "y": 0.0, "z": 9.81}}
            sensors.send("Emulation.setSensorOverrideReadings", {"type": "accelerometer", "reading": reading})

        to_record(page)
        page.get_by_text("Other ways").click()
        page.get_by_text("about 60 readings a second, rounded").wait_for()
        page.get_by_role("button", name="Record motion").click()
        for i in range(120):
            push(i)
            page.wait_for_timeout(15)
        page.get_by_role("button", name="Stop").click()
        page.get_by_role("button", name="Record another").wait_for()
        said = re.search(r"The browser gave (\d+) readings of the motion sensor a second, rounded", page.locator("#remarks").text_content())
    (delivery,) = bench.deliveries
    recording = read_recording(delivery.path)
    assert delivery.sensor == "phone-motion"
    assert recording.channels[0].unit == "m/s2"
    assert recording.samples[2].mean() == pytest.approx(9.8, abs=0.01)
    rows = np.loadtxt(delivery.path, delimiter=",", skiprows=1)
    assert np.all(np.diff(rows[:, 0]) >= 0)
    assert np.abs(rows[:, 1]).max() == pytest.approx(2)
    assert 10 * rows[:, 1] == pytest.approx(np.round(10 * rows[:, 1]), abs=1e-6)
    assert len(rows) > 60
    assert int(said[1]) == round((len(rows) - 1) / (rows[-1, 0] - rows[0, 0]) * 1000)


def test_motion_is_not_offered_for_fast_shafts(browser, tmp_path):
    with serving(tmp_path, plan(motion=False)) as bench, page_of(browser, bench.server.link.url) as page:
        to_record(page)
        page.get_by_text("Other ways").click()
        page.get_by_label("Send a voice memo").wait_for()
        assert not page.get_by_role("button", name="Record motion").is_visible()


def test_a_file_of_the_phones_own_is_sent(browser, tmp_path):
    content = b"\0" * 3_000_000
    (tmp_path / "Memo.M4A").write_bytes(content)
    (tmp_path / "notes.exe").write_bytes(b"MZ")
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url) as page:
        to_record(page)
        page.get_by_label("Rotor").select_option("south-east")
        page.get_by_text("Other ways").click()
        page.get_by_label("Send a voice memo").set_input_files(tmp_path / "Memo.M4A")
        page.get_by_role("heading", name="Watch").wait_for()
    (delivery,) = bench.deliveries
    assert (delivery.path.read_bytes(), delivery.path.suffix, delivery.position) == (content, ".m4a", "south-east")


def test_another_phone_and_a_page_loaded_again(browser, tmp_path):
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url) as page:
        page.get_by_role("button", name="I have read this").wait_for()
        assert bench.token not in page.url
        page.reload()
        page.get_by_role("button", name="I have read this").wait_for()
        other = browser.new_context(ignore_https_errors=True).new_page()
        other.goto(bench.server.link.url)
        other.get_by_text("was opened before").wait_for()
        other.context.close()


def contrast(one, other):
    """WCAG 2.2, relative luminance and contrast ratio."""

    def luminance(colour):
        parts = [int(part) / 255 for part in re.findall(r"\d+", colour)[:3]]
        linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_one_hand_a_small_screen_and_the_keyboard(browser, tmp_path, scheme):
    """360 x 640: nothing wider than the screen, what is to be pressed within the thumb's reach and large, all of it by keyboard too.

    WCAG 2.2: contrast 4.5 (1.4.3), names (4.1.2), focus order (2.4.3); the size of what is pressed goes beyond 2.5.8.
    VIBEKIT_PICTURES names a folder in which the views are left to be looked at.
    """
    pictures = Path(os.environ.get("VIBEKIT_PICTURES", tmp_path))
    with serving(tmp_path, plan(seconds=2.0)) as bench, page_of(browser, bench.server.link.url, color_scheme=scheme) as page:

        def look(name, button):
            big = page.get_by_role("button", name=button)
            big.wait_for()
            page.screenshot(path=pictures / f"phone-{scheme}-{name}.png")
            assert page.evaluate("document.documentElement.scrollWidth") <= 360
            box = big.bounding_box()
            assert box["height"] >= 60
            assert box["width"] >= 120
            assert 320 < box["y"] < 640 - box["height"]
            colours = big.evaluate("button => [getComputedStyle(button).color, getComputedStyle(button).backgroundColor]")
            assert contrast(*colours) >= 4.5
            unnamed = page.evaluate(
                "[...document.querySelectorAll('button, input, select, [role=meter], progress')].filter(one => !(one.labels?.length "
                "|| one.getAttribute('aria-label') || one.textContent.trim())).map(one => one.id)"
            )
            assert unnamed == []
            return big

        def press(name, button):
            big = look(name, button)
            for _ in range(12):
                if big.evaluate("button => button === document.activeElement"):
                    break
                page.keyboard.press("Tab")
            page.keyboard.press("Enter")

        paper = page.evaluate("getComputedStyle(document.documentElement).backgroundColor")
        assert paper == "rgb({}, {}, {})".format(*bytes.fromhex(getattr(PALETTE["paper"], scheme)[1:]))
        press("cautions", "I have read this")
        press("record", "Record sound")
        page.get_by_text("Recording: 1 of 2 s").wait_for()
        look("running", "Stop")
        meter = page.get_by_role("meter", name="Level")
        assert int(meter.get_attribute("aria-valuenow")) == pytest.approx(20 * np.log10(TONE), abs=1)
        page.get_by_role("heading", name="Watch").wait_for()
        assert page.locator("#mark").text_content() == "◐"
        press("answer", "Finished")
        page.get_by_text("stopped listening").wait_for()


def test_cautions_longer_than_the_screen_are_led_through(browser, tmp_path):
    cautions = WAYS["all-idling"].cautions
    with serving(tmp_path, plan(cautions=cautions)) as bench, page_of(browser, bench.server.link.url) as page:
        page.get_by_role("button", name="Read on").wait_for()
        for _ in range(10):
            if not page.get_by_role("button", name="Read on").is_visible():
                break
            page.get_by_role("button", name="Read on").press("Enter")
            page.wait_for_timeout(200)
        read = page.get_by_role("button", name="I have read this")
        last = page.get_by_text(cautions[-1]).bounding_box()
        assert last["y"] + last["height"] <= read.bounding_box()["y"]
        read.press("Enter")
        page.get_by_role("button", name="Record sound").wait_for()


def test_a_silent_microphone_is_said_at_once(browser, tmp_path):
    """In sight, though what is to be done fills the screen."""
    with serving(tmp_path, plan(how="Phone on a stand. " * 25)) as bench, page_of(browser, bench.server.link.url, SILENT) as page:
        to_record(page)
        page.get_by_role("button", name="Record sound").click()
        said = page.get_by_text("gives only zeros")
        said.wait_for()
        page.get_by_role("button", name="Record sound").wait_for()
        box = said.bounding_box()
        assert box["y"] + box["height"] <= page.locator("footer").bounding_box()["y"]
        page.get_by_role("button", name="Record sound").wait_for()
    assert bench.written == []


def test_the_command_keeps_and_judges_as_the_file_that_was_played(playwright, tmp_path, monkeypatch):
    """From the command line through the page into the archive: a blade damaged on the rig, played into the microphone."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    craft = tmp_path / "wren-4.toml"
    craft.write_text('name = "Wren-4"\nturned = "bench-controller"\n[[rotor]]\nposition = "north-east"\n', encoding="utf-8")
    damaged, _ = record(draw_craft(17), rotor=1, fault=Fault("blade-damage", 8.0, 1), sensor="microphone", rate_hz=RATE, duration_s=20.0)
    sound = damaged.samples[0] / np.max(np.abs(damaged.samples)) * 0.5
    words = ["phone", craft, "north-east", "--test", "prop", "--for", "4s", "--blades", "2", "--address", "127.0.0.1"]
    command = [sys.executable, "-u", "-c", "import sys; from vibekit.cli import main; sys.exit(main())", *words]
    with (
        subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as running,
        browser_playing(playwright, tmp_path, sound) as browser,
    ):
        shown = ""
        while "Ctrl-C" not in shown:
            shown += running.stdout.readline()
        with page_of(browser, re.search(r"https://\S+", shown)[0]) as page:
            page.get_by_text("Supply's current limit").wait_for()
            to_record(page)
            page.get_by_role("button", name="Record sound").click()
            page.get_by_text("Hands off").wait_for()
            page.get_by_role("button", name="Finished").wait_for()
            assert page.locator("#kept").text_content() == "Kept for Wren-4, north-east."
            verdict = page.locator("#verdict").text_content()
            page.get_by_role("button", name="Finished").click()
            page.get_by_text("stopped listening").wait_for()
        printed = running.stdout.read()
        assert running.wait(20) == 0
    assert " ".join(verdict.split()) in " ".join(printed.split())
    with Archive(find_place(), create=False) as archive:
        (kept,) = archive.readings("Wren-4")
    assert (kept.position, kept.settings.test, kept.settings.sensor) == ("north-east", "prop", "microphone")
    assert kept.reading.duration_s == pytest.approx(4)
    assert kept.reading.screening.levels_comparable
    assert list(find_place().takes.iterdir()) == []
    direct = analyze(read_recording(tmp_path / "heard.wav", roles=("vibration", "ignore")), kept.settings)
    assert kept.reading.speed.rpm == pytest.approx(direct.speed.rpm, rel=2e-3)
    ours, theirs = (judge_motor([reading]).together for reading in (kept.reading, direct))
    assert ours.conclusion.condition == theirs.conclusion.condition
    assert ours.findings[0].condition == theirs.findings[0].condition
