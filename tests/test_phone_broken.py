"""What goes wrong around a phone: its network, its page, its permissions, its sensors. A recording once taken is never lost."""

import re

import numpy as np
import pytest
import soundfile

from tests.broken_network import Network
from tests.browsers import CHROMIUM, FLAGS, RATE, browser_playing, page_of, to_record
from tests.phones import plan, serving
from tests.test_phone_browser import TONE, TONE_HZ, fitted
from vibekit.capture.files import read_recording
from vibekit.capture.phone.take import BROKE
from vibekit.turning import WAYS


@pytest.fixture(scope="module")
def browser(playwright, tmp_path_factory):
    """Hears a tone that fits its file, so that it goes on without a break."""
    sound = TONE * np.sin(2 * np.pi * TONE_HZ * np.arange(60 * RATE) / RATE)
    with browser_playing(playwright, tmp_path_factory.mktemp("tone"), sound) as started:
        yield started


@pytest.fixture
def network():
    made = Network()
    yield made
    made.close()


def recording_at(page, seconds):
    """Press the button and wait until so much is recorded."""
    page.get_by_role("button", name="Record sound").click()
    page.get_by_text(re.compile(f"^Recording: {seconds} ")).wait_for()


def is_whole(path, seconds):
    """A tone of so many seconds without a break: its phase goes on across them."""
    sound, rate = soundfile.read(path, dtype="float32")
    assert (rate, sound.size) == (RATE, seconds * RATE)
    amplitude, frequency, rest = fitted(sound)
    assert (amplitude, frequency) == (pytest.approx(TONE, rel=1e-3), pytest.approx(TONE_HZ, rel=1e-4))
    assert rest < 1e-3


@pytest.mark.parametrize("break_s", [0, 7])
def test_a_network_that_breaks_loses_nothing(browser, network, tmp_path, break_s):
    """Cut while recording, and back at once or only when the recording is over."""
    with serving(tmp_path, plan(seconds=6.0)) as bench, page_of(browser, bench.server.link.url, **network.options) as page:
        to_record(page)
        recording_at(page, 2)
        network.leave()
        page.get_by_text("Nothing is lost").wait_for()
        page.wait_for_timeout(1000 * break_s)
        network.away = False
        page.get_by_role("button", name="Record another").wait_for()
        assert not page.get_by_text("Nothing is lost").is_visible()
    (delivery,) = bench.deliveries
    is_whole(delivery.path, 6)
    assert "the phone is back" in bench.told


def test_a_network_that_stands_still_is_noticed(browser, network, tmp_path):
    """Nothing gets through and nobody says so."""
    with serving(tmp_path, plan(seconds=4.0)) as bench, page_of(browser, bench.server.link.url, **network.options) as page:
        to_record(page)
        recording_at(page, 2)
        network.still = True
        page.get_by_text("Nothing is lost").wait_for()
        network.still = False
        page.get_by_role("button", name="Record another").wait_for()
    (delivery,) = bench.deliveries
    is_whole(delivery.path, 4)


def test_a_phone_that_comes_back_too_late_sends_all_of_it_anew(browser, network, tmp_path, monkeypatch):
    monkeypatch.setattr("vibekit.capture.phone.ongoing.RETURN_S", 1.0)
    with serving(tmp_path, plan(seconds=5.0)) as bench, page_of(browser, bench.server.link.url, **network.options) as page:
        to_record(page)
        recording_at(page, 2)
        network.leave()
        bench.wait_for(1)
        network.away = False
        page.get_by_role("button", name="Record another").wait_for()
    beginning, whole = bench.deliveries
    assert BROKE in beginning.notes
    assert whole.beginnings == (beginning.path,)
    is_whole(whole.path, 5)


def test_without_the_computer_the_phone_keeps_it_as_a_file(browser, network, tmp_path):
    with serving(tmp_path, plan(seconds=4.0)) as bench, page_of(browser, bench.server.link.url, **network.options) as page:
        to_record(page)
        recording_at(page, 2)
        network.leave()
        keep = page.get_by_role("button", name="Keep it on this phone")
        keep.wait_for()
        with page.expect_download() as waiting:
            keep.click()
        name = waiting.value.suggested_filename
        waiting.value.save_as(tmp_path / name)
        assert re.fullmatch(r"Wren-4-north-east-\d{8}T\d{6}\.wav", name)
        is_whole(tmp_path / name, 4)
        assert read_recording(tmp_path / name).channels[0].unit == "FS"
        network.away = False
        page.get_by_role("button", name="Record another").wait_for()
        assert not keep.is_visible()
    is_whole(bench.deliveries[0].path, 4)


def test_a_page_that_is_closed_leaves_what_came_and_says_so(browser, tmp_path):
    with serving(tmp_path, plan(seconds=8.0)) as bench, page_of(browser, bench.server.link.url) as page:
        to_record(page)
        recording_at(page, 3)
        page.goto("about:blank")
        bench.wait_for(1)
        page.goto(bench.base)
        page.get_by_role("button", name="I have read this").wait_for()
    (delivery,) = bench.deliveries
    assert BROKE in delivery.notes
    assert soundfile.info(delivery.path).duration > 2


def test_a_microphone_that_is_not_allowed_is_said_and_nothing_written(playwright, tmp_path):
    flags = [flag for flag in FLAGS if flag != "--use-fake-ui-for-media-stream"]
    browser = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=flags)
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url, permissions=[]) as page:
        to_record(page)
        page.get_by_role("button", name="Record sound").click()
        page.get_by_text("The microphone was not allowed.").wait_for()
        page.get_by_role("button", name="Record sound").wait_for()
    browser.close()
    assert bench.written == []


def test_a_phone_without_motion_readings_says_so(browser, tmp_path):
    with serving(tmp_path) as bench, page_of(browser, bench.server.link.url) as page:
        to_record(page)
        page.get_by_text("Other ways").click()
        page.get_by_role("button", name="Record motion").click()
        page.get_by_text("gives no motion readings").wait_for()
    assert bench.written == []


FAST_PHONE = """delete window.Accelerometer;
let sent = 0;
const began = performance.now();
setInterval(() => {
  for (; sent < (performance.now() - began) / 10; sent++) {
    const tilt = { x: Math.sin(2 * Math.PI * 20 * sent / 100), y: 0.1 * (sent % 3), z: 9.8 + 0.1 * (sent % 2) };
    dispatchEvent(new DeviceMotionEvent("devicemotion", { accelerationIncludingGravity: tilt, interval: 10 }));
  }
}, 10);"""


def test_a_phone_of_100_readings_a_second_is_taken_as_it_is(browser, tmp_path):
    """Through events, as where the browser knows no Accelerometer: the rate is said as it came, none is left out."""
    with serving(tmp_path, plan(seconds=None)) as bench, page_of(browser, bench.server.link.url, FAST_PHONE) as page:
        to_record(page)
        page.get_by_text("Other ways").click()
        page.get_by_role("button", name="Record motion").click()
        page.get_by_text("Recording: 4 s").wait_for()
        page.get_by_role("button", name="Stop").click()
        page.get_by_role("button", name="Record another").wait_for()
        said = re.search(r"The browser gave (\d+) readings", page.locator("#remarks").text_content())
        assert int(said[1]) == pytest.approx(100, abs=3)
    x = np.loadtxt(bench.deliveries[0].path, delimiter=",", skiprows=1)[:, 1]
    assert x.size >= 400
    assert np.argmax(np.abs(np.fft.rfft(x[:400]))) == 80  # 20 Hz of 4 s


def test_held_sideways_the_button_stays_in_sight(browser, tmp_path):
    """800 x 360: whatever the step, what is to be pressed is on the screen, beside the text and not over it."""
    cautions = WAYS["all-idling"].cautions
    with (
        serving(tmp_path, plan(cautions=cautions, seconds=3.0)) as bench,
        page_of(browser, bench.server.link.url, size=(800, 360)) as page,
    ):

        def in_sight(name):
            button = page.get_by_role("button", name=name)
            button.wait_for()
            box, text = button.bounding_box(), page.locator("main").bounding_box()
            assert 0 <= box["y"] <= 360 - box["height"]
            assert box["height"] >= 60
            assert text["x"] + text["width"] <= box["x"]
            assert box["x"] + box["width"] <= 800
            assert page.evaluate("document.documentElement.scrollWidth") <= 800
            return button

        page.locator("#understood").wait_for()  # the plan has come
        for _ in range(20):
            if not page.get_by_role("button", name="Read on").is_visible():
                break
            in_sight("Read on").click()
            page.wait_for_timeout(200)
        last = page.get_by_text(cautions[-1]).bounding_box()
        assert last["y"] + last["height"] <= 361
        in_sight("I have read this").click()
        in_sight("Record sound").click()
        in_sight("Stop")
        page.get_by_text(re.compile("^Recording:")).wait_for()
        in_sight("Record another")
        in_sight("Finished")
