"""The one recorder: sample-exact, counted against the clock, bounded, and never in the way of what delivers."""

import gc
import json
import os
import time
import tracemalloc
from datetime import datetime, timedelta

import numpy as np
import pytest
import soundfile

from tests.streams import RATE, Clock, Stream, first_of, form, numbered, steady
from vibekit.capture import recorder as recorders
from vibekit.capture import take_file
from vibekit.capture.files import read_recording
from vibekit.capture.recorder import SEEN, Recorder
from vibekit.capture.take import Form
from vibekit.capture.take_file import read_account
from vibekit.capture.trigger import Trigger
from vibekit.errors import UnreadableError, UsageError
from vibekit.recording import Channel
from vibekit.screening import leave_out, screen
from vibekit.settings import Settings


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(recorders, "clock_ns", clock)
    return clock


def taken(stream, folder, **given):
    recorder = Recorder(stream, folder, **given)
    recorder.start()
    assert recorder.done.wait(60)
    return recorder, recorder.finish()


def wait_for(recorder, seconds):
    """The first glance at which so much was recorded."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        seen = recorder.glance()
        if seen is not None and seen.seconds >= seconds:
            return seen
        time.sleep(0.01)
    pytest.fail(f"not {seconds} s in 60 s")


def frames_of(take):
    return soundfile.read(take.path, dtype="int16")[0]


def test_a_long_take_comes_out_sample_for_sample_in_bounded_memory(tmp_path, clock):
    """Played faster than in life; VIBEKIT_TAKE_S makes it longer. What may wait in memory is WAITING_S of sound, 11.5 MB."""
    seconds, block = float(os.environ.get("VIBEKIT_TAKE_S", "30")), 4800
    stream = Stream(steady(seconds, block), clock)
    stream.between = lambda number: time.sleep(5e-4)
    tracemalloc.start()
    recorder = Recorder(stream, tmp_path)
    recorder.start()
    assert recorder.done.wait(600)
    _, peak = tracemalloc.get_traced_memory()
    take = recorder.finish()
    tracemalloc.stop()
    assert peak < 25e6
    assert take.account.frames == seconds * RATE
    assert take.account.gaps == ()
    assert take.account.ended == "the invented device was unplugged"
    at = 0
    with soundfile.SoundFile(take.path) as file:
        assert file.subtype == "PCM_16"
        while len(found := file.read(1_000_000, dtype="int16")):
            assert np.array_equal(found, numbered(at, len(found)))
            at += len(found)
    assert at == seconds * RATE


def test_a_take_of_a_length_ends_at_its_last_frame(tmp_path):
    recorder, take = taken(Stream(steady(2, block=441)), tmp_path, length_s=1.0)
    assert recorder.ended == take.account.ended == "1 s are full"
    assert take.account.frames == RATE
    assert first_of(frames_of(take)) == 0


def test_what_is_known_to_be_lost_is_filled_placed_and_left_out(tmp_path, clock):
    pieces = [
        (0.1, numbered(0, 48_000), 0, ""),
        (1.1, numbered(48_480, 48_000), 480, "the network"),
        (2.2, numbered(96_480, 48_000), 0, ""),
    ]
    _, take = taken(Stream(pieces, clock), tmp_path)
    (gap,) = take.account.gaps
    assert (gap.frame, gap.missing, gap.filled, gap.why, gap.within) == (48_000, 480, 480, "the network", 0)
    found = frames_of(take)
    assert first_of(found[:48_000]) == 0
    assert not found[48_000:48_480].any()
    assert first_of(found[48_480:]) == 48_480
    recording = read_recording(take.path)
    (lost,) = recording.lost
    assert lost.start <= 48_000
    assert lost.stop >= 48_480
    problems = [problem for problem in screen(recording, Settings()).problems if problem.code == "drop-out"]
    assert len(problems) == 1
    assert "1 drop-out, 10 ms in all, the first at 1.00 s (the network)" in problems[0].detail
    assert any(a <= 48_000 and b >= 48_480 for a, b in leave_out(recording))


def test_frames_that_no_driver_tells_of_are_found_by_the_clock(tmp_path, clock):
    """480 of them in 12 s, blocks arriving with 2 ms of jitter: found, counted within 2 ms, placed within a block."""
    rng = np.random.default_rng(3)
    pieces = [(at + rng.exponential(0.002), block, lost, why) for at, block, lost, why in steady(12)]
    del pieces[600]
    recorder, take = taken(Stream(pieces, clock), tmp_path)
    (gap,) = take.account.gaps
    assert abs(gap.missing - 480) <= 96
    assert gap.filled == 0
    assert gap.frame - gap.within <= 600 * 480 <= gap.frame
    assert gap.within <= 5 * 480
    assert recorder.glance().lost == gap.missing
    (problem,) = (problem for problem in screen(read_recording(take.path), Settings()).problems if problem.code == "drop-out")
    assert "by the clock" in problem.detail


def test_a_stall_in_which_nothing_is_lost_is_no_drop_out(tmp_path, clock):
    """Three seconds in which nothing comes, then all of it at once."""
    pieces = [(9.0 if 6.0 < at < 9.0 else at, block, lost, why) for at, block, lost, why in steady(15)]
    _, take = taken(Stream(pieces, clock), tmp_path)
    assert take.account.gaps == ()
    assert take.account.clock_rate_hz == pytest.approx(RATE, rel=1e-4)


def test_a_stall_in_which_the_driver_forgets_is_placed(tmp_path, clock):
    """Of three seconds, the first 0.7 s waited in the driver's memory."""
    pieces = [(9.0 if 6.0 < at < 9.0 else at, block, lost, why) for at, block, lost, why in steady(15) if not 6.7 < at < 9.0]
    _, take = taken(Stream(pieces, clock), tmp_path)
    (gap,) = take.account.gaps
    assert gap.missing == pytest.approx(2.3 * RATE, abs=0.02 * RATE)
    assert gap.frame - gap.within <= 6.7 * RATE <= gap.frame + 480


def test_a_sensor_whose_clock_is_off_gets_its_true_rate(tmp_path, clock):
    """A MEMS sensor that states 3 200 Hz and runs at 3 131: 20 s, jitter of a USB frame or two."""
    rng = np.random.default_rng(4)
    true = 3131.0
    pieces = [((first + 32) / true + rng.exponential(0.001), numbered(first, 32), 0, "") for first in range(0, 62_000, 32)]
    _, take = taken(Stream(pieces, clock, of=form(3200.0, crystal=False)), tmp_path)
    assert abs(take.account.rate_hz - true) < take.account.rate_u95_hz < 0.01 * true
    recording = read_recording(take.path)
    assert recording.rate_hz == take.account.rate_hz
    assert recording.rate_u95_hz == take.account.rate_u95_hz
    assert any("the device states 3200 Hz" in line for line in recording.log)


def test_a_quartz_is_believed_though_the_clock_says_a_little_else(tmp_path, clock):
    pieces = [(at * (1 + 8e-5), block, lost, why) for at, block, lost, why in steady(20)]
    _, take = taken(Stream(pieces, clock), tmp_path)
    assert take.account.rate_hz == RATE
    assert take.account.clock_rate_hz == pytest.approx(RATE * (1 - 8e-5), rel=1e-5)


def test_a_wall_clock_that_is_set_moves_nothing(tmp_path, monkeypatch):
    real = time.time_ns
    stream = Stream(steady(2.5))
    stream.between = lambda number: number == 100 and monkeypatch.setattr(recorders.time, "time_ns", lambda: real() + 3_600_000_000_000)
    began = datetime.now().astimezone()
    _, take = taken(stream, tmp_path)
    assert first_of(frames_of(take)) == 0
    assert take.account.gaps == ()
    assert any("the computer's clock was set by +3600.0 s" in note for note in take.account.notes)
    assert abs(take.account.started - began) < timedelta(seconds=60)


def test_a_pause_is_cut_out_and_noted(tmp_path, clock):
    stream = Stream(steady(6), clock)
    recorder = Recorder(stream, tmp_path)

    def between(number):
        for at, act in ((200, recorder.pause), (400, recorder.resume)):
            if number == at:
                time.sleep(0.3)  # the writer takes what has come before
                act()

    stream.between = between
    recorder.start()
    assert recorder.done.wait(20)
    take = recorder.finish()
    (gap,) = take.account.gaps
    assert (gap.frame, gap.missing, gap.filled, gap.why) == (200 * 480, 200 * 480, RATE // 4, "paused")
    assert take.account.missing_s == 0
    found = frames_of(take)
    assert first_of(found[: gap.frame]) == 0
    assert first_of(found[gap.frame + gap.filled :]) == 400 * 480
    codes = {problem.code for problem in screen(read_recording(take.path), Settings()).problems}
    assert "paused" in codes
    assert "drop-out" not in codes


def test_an_abort_keeps_what_there_is(tmp_path):
    recorder = Recorder(Stream(steady(30)), tmp_path)
    recorder.start()
    wait_for(recorder, 0.3)
    recorder.stop("aborted")
    take = recorder.finish()
    assert take.account.ended == "aborted"
    assert first_of(frames_of(take)) == 0
    assert 0.3 <= take.account.frames / RATE < 30


def test_a_source_that_falls_silent_ends_the_take(tmp_path, monkeypatch):
    monkeypatch.setattr(recorders, "STALL_S", 1.5)
    stream = Stream([(0.0, numbered(0, 9600), 0, ""), (30.0, numbered(0, 480), 0, "")])
    recorder = Recorder(stream, tmp_path)
    recorder.start()
    assert recorder.done.wait(25)
    assert recorder.ended == "nothing came from an invented device for 1.5 s"
    stream.stop = lambda: None
    assert recorder.finish().account.frames == 0.2 * RATE


def test_when_the_disk_is_slow_the_source_is_never_held_up(tmp_path, clock, monkeypatch):
    monkeypatch.setattr(recorders, "WAITING_S", 1.0)
    recorder = Recorder(Stream([]), tmp_path)
    longest = 0.0
    for number in range(300):  # no writer runs yet: nothing is taken from the queue
        before = time.perf_counter()
        assert recorder.push(numbered(number * 480, 480))
        longest = max(longest, time.perf_counter() - before)
    assert longest < 0.5
    recorder.start()
    while recorder._taken < recorder._pushed:
        time.sleep(0.01)
    recorder.push(numbered(300 * 480, 480))
    recorder.stop()
    take = recorder.finish()
    (gap,) = take.account.gaps
    assert (gap.frame, gap.missing, gap.filled, gap.why) == (RATE, 200 * 480, 200 * 480, "the disk was too slow")
    assert first_of(frames_of(take)[300 * 480 :]) == 300 * 480


def test_nothing_recorded_is_said_and_leaves_nothing_behind(tmp_path):
    with pytest.raises(UnreadableError, match="nothing was recorded: the invented device was unplugged"):
        taken(Stream([]), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_source_that_does_not_start_leaves_nothing_behind(tmp_path):
    class Broken(Stream):
        def start(self, push):
            raise UnreadableError("the invented device is in use")

    with pytest.raises(UnreadableError, match="in use"):
        Recorder(Broken([]), tmp_path).start()
    assert list(tmp_path.iterdir()) == []


def test_it_begins_when_the_motor_starts_and_keeps_the_second_before(tmp_path, clock):
    """Quiet with a knock in it, then a motor 20 dB louder from 3 s on."""
    rng = np.random.default_rng(5)
    level = np.full(6 * RATE, 30.0)
    level[3 * RATE :] = 300.0
    level[2 * RATE : 2 * RATE + 2000] = 3000.0
    played = np.round(level[:, None] * rng.standard_normal((6 * RATE, 2))).astype(np.int16)
    stream = Stream((((k + 480) / RATE, played[k : k + 480], 0, "") for k in range(0, len(played), 480)), clock)
    _, take = taken(stream, tmp_path, trigger=Trigger(before_s=1.0))
    found = frames_of(take)
    began = len(played) - len(found)
    assert np.array_equal(found, played[began:])
    assert 1.9 * RATE < began <= 2.2 * RATE + 480


@pytest.mark.parametrize(("rise", "before"), [(1.0, 1.0), (10.0, -1.0), (float("nan"), 1.0)])
def test_triggers_that_make_no_sense_are_refused(rise, before):
    with pytest.raises(UsageError, match="it must be from"):
        Trigger(rise, before)


def test_the_mailbox_holds_the_newest_only(tmp_path):
    recorder = Recorder(Stream(steady(2.0)), tmp_path)
    recorder.start()
    seen = wait_for(recorder, 0.5)
    assert recorder.glance() is None or recorder.glance() is None  # a new one may just have come
    assert seen.state == "recording"
    assert seen.newest.shape == (2, SEEN)
    assert np.array_equal(np.round(seen.newest.T * 32768), numbered(first_of(np.round(seen.newest.T * 32768).astype(np.int16)), SEEN))
    assert seen.peak.shape == seen.rms.shape == (2,)
    assert recorder.done.wait(60)
    recorder.finish()
    assert recorder.glance().state == "ended"


@pytest.mark.parametrize(("value", "words"), [(0, "only zeros"), (77, "one value only")])
def test_a_microphone_that_gives_nothing_is_named_at_once(tmp_path, clock, value, words):
    flat = np.full((480, 2), value, np.int16)
    recorder, take = taken(Stream([((k + 1) / 100, flat, 0, "") for k in range(120)], clock), tmp_path)
    assert recorder.glance().warning == f"an invented device gives {words}"
    assert not screen(read_recording(take.path), Settings()).usable


@pytest.mark.parametrize(
    ("scale", "suffix", "subtype"),
    [(1 / 32768, ".flac", "PCM_16"), (1 / 32768 / 200, ".wav", "FLOAT"), (1 / 32768 / 256, ".flac", "PCM_24"), (1 / 8000, ".wav", "FLOAT")],
)
def test_the_file_is_the_smallest_that_holds_every_sample(tmp_path, clock, scale, suffix, subtype):
    exact = (numbered(0, RATE) * scale).astype(np.float32)
    _, take = taken(Stream([(1.0, exact, 0, "")], clock), tmp_path)
    with soundfile.SoundFile(take.path) as file:
        assert (take.path.suffix, file.subtype) == (suffix, subtype)
        assert np.array_equal(file.read(dtype="float32"), exact)
    recording = read_recording(take.path)
    assert np.array_equal(recording.samples.T, exact)
    assert [channel.role for channel in recording.channels] == ["vibration", "tacho"]


def test_past_the_size_of_a_wav_it_is_rf64(tmp_path, clock, monkeypatch):
    monkeypatch.setattr(take_file, "RIFF_MOST", 100_000)
    exact = (numbered(0, RATE) / 8000).astype(np.float32)
    _, take = taken(Stream([(1.0, exact, 0, "")], clock), tmp_path)
    with soundfile.SoundFile(take.path) as file:
        assert file.format == "RF64"
        assert np.array_equal(file.read(dtype="float32"), exact)
    assert read_account(take.path) == take.account


def test_what_is_known_travels_in_the_file_and_beside_it(tmp_path, clock):
    about = {"craft": "Wren-4", "position": "north-east", "test": "bare", "setup": "Mikrofon, 0,2 m · Ärmel"}
    source = Form(RATE, (Channel(name="mic"), Channel("tacho", "pulse", "2")), "an invented phone", "microphone", ("gain control",), 0.5)
    for k, scale in enumerate((1 / 32768, 1 / 40000)):
        folder = tmp_path / str(k)
        _, take = taken(Stream([(1.0, (numbered(0, RATE) * scale).astype(np.float32), 0, "")], clock, of=source), folder, about=about)
        assert read_account(take.path) == take.account
        assert "Wren_4-north_east" in take.path.name
        moved = (folder / "elsewhere").with_suffix(take.path.suffix)
        take.path.rename(moved)
        recording = read_recording(moved)
        assert recording.channels == source.channels
        assert recording.source.processed == ("gain control",)
        assert recording.source.full_scale == 0.5
        assert recording.start == take.account.started
        assert dict(take.account.about) == about
        assert json.loads(take.path.with_suffix(".json").read_text(encoding="utf-8"))["about"] == [list(pair) for pair in about.items()]


def test_pushing_costs_the_source_less_than_a_hundredth_of_a_core(tmp_path):
    """100 blocks a second of 48 kHz stereo: what a callback spends in push."""
    recorder = Recorder(Stream([]), tmp_path)
    block = numbered(0, 480).astype(np.float32)
    gc.collect()
    began = time.process_time()
    for _ in range(1000):
        recorder.push(block)
    assert (time.process_time() - began) / 10 < 0.01
