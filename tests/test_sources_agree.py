"""One motor, with a damaged blade, heard through each source: the verdict is that of the rig's own sound."""

import time

import numpy as np
import pytest
import soundfile

from tests import browsers, null_sink
from tests.boards import board, frame
from tests.phones import plan, serving
from vibekit.analysis import analyze
from vibekit.capture.files import read_recording
from vibekit.capture.recorder import Recorder
from vibekit.capture.serial_sensor import SerialSensor
from vibekit.capture.sound_card import SoundCard, choose, devices
from vibekit.judging import judge_motor
from vibekit.recording import Recording
from vibekit.rig import Fault, draw_craft, record
from vibekit.settings import Settings

SECONDS, PLAYED_S = 4.0, 12.0
GIVEN = Settings(test="prop", sensor="contact", blades=2)
HURT = Fault("blade-damage", 20.0, 1)


def sounds(rate: int) -> list[np.ndarray]:
    """(n,) each: the motor as it was, three times, and hurt; the last reaches half of full scale."""
    made = []
    for take, fault in enumerate((None, None, None, HURT)):
        length_s = PLAYED_S if fault else SECONDS
        each, _ = record(draw_craft(17), rotor=1, fault=fault, take=take, refit=0, rate_hz=rate, duration_s=length_s)
        made.append(each.samples[0])
    return [sound * (0.5 / np.max(np.abs(made[-1]))) for sound in made]


def check_verdict(heard: Recording, sound: list[np.ndarray]) -> None:
    """Against the same motor's sound past, as the rig's own sound is judged."""

    def reading(samples: np.ndarray):
        return analyze(Recording(samples[np.newaxis, : round(SECONDS * heard.rate_hz)], heard.rate_hz, (channel,)), GIVEN)

    (channel,) = heard.channels
    references = [reading(samples) for samples in sound[:-1]]
    direct = reading(sound[-1])
    ours, theirs = (judge_motor([each], references=references).together.conclusion for each in (analyze(heard, GIVEN), direct))
    assert ours.condition == theirs.condition == HURT.condition
    assert ours.probability == pytest.approx(theirs.probability, abs=0.1)
    assert (ours.part, ours.action) == (theirs.part, theirs.action)


def test_a_sound_card(tmp_path):
    if null_sink.lacking():
        pytest.skip(null_sink.lacking())
    sound = sounds(null_sink.RATE)
    soundfile.write(tmp_path / "played.wav", sound[-1], null_sink.RATE, subtype="PCM_16")
    with null_sink.null_sink(tmp_path) as sink:
        sink.play(tmp_path / "played.wav")
        time.sleep(1.5)
        found, default = devices()
        recorder = Recorder(SoundCard(choose("default", found, default)), tmp_path / "takes", length_s=SECONDS)
        recorder.start()
        assert recorder.done.wait(30)
        take = recorder.finish()
    check_verdict(read_recording(take.path), sound)


def test_a_serial_sensor(tmp_path):
    rate, each, scale = 26_000, 520, 1 / 32768
    sound = sounds(rate)
    counts = np.round(sound[-1] / scale).astype("<i2")
    header = f"rate={rate} unit=g range=1 scale={scale:.9g} axes=x bits=16 name=Siskin".encode()

    def messages():
        for first in range(0, len(counts) - each, each):
            head = frame(1, first, header) if first % rate < each else b""
            yield (first + each) / rate, head + frame(2, first, counts[first : first + each].tobytes())

    with board(messages()) as wire:
        recorder = Recorder(SerialSensor(wire.port), tmp_path, length_s=SECONDS)
        recorder.start()
        assert recorder.done.wait(30)
        take = recorder.finish()
    check_verdict(read_recording(take.path), sound)


def test_a_phone(playwright, tmp_path):
    sound = sounds(browsers.RATE)
    with (
        browsers.browser_playing(playwright, tmp_path, sound[-1]) as browser,
        serving(tmp_path, plan(seconds=SECONDS)) as bench,
        browsers.page_of(browser, bench.server.link.url) as page,
    ):
        browsers.to_record(page)
        page.get_by_role("button", name="Record sound").click()
        page.get_by_role("button", name="Record another").wait_for()
    (delivery,) = bench.deliveries
    check_verdict(read_recording(delivery.path), sound)
