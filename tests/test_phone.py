"""What a phone sends: frames, what is missing between them, what its browser did to the sound, its motion sensor."""

import itertools
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.phones import SETTINGS, START, frame
from vibekit.capture.files import read_recording
from vibekit.capture.phone.address import Link
from vibekit.capture.phone.door import Door
from vibekit.capture.phone.frame import MOST_BYTES, MOTION, SOUND, read_frame
from vibekit.capture.phone.limits import Pace
from vibekit.capture.phone.microphone import PhoneMicrophone
from vibekit.capture.phone.motion import MotionLog
from vibekit.capture.phone.numbering import BROWSER, NETWORK, Numbering, Piece
from vibekit.capture.phone.stream import Stream, read_stream
from vibekit.capture.phone.zeros import LEAST, ZeroRuns
from vibekit.capture.recorder import Recorder
from vibekit.errors import UnreadableError
from vibekit.screening import screen
from vibekit.settings import Settings

RATE = 48000
SIZE = 2048
PLAIN = Stream("sound", float(RATE), (), "the microphone's own track", 0)


def noise(count, seed=0):
    return (np.random.default_rng(seed).normal(0, 0.1, count)).astype(np.float32)


def test_a_frame_says_what_was_put_in():
    sound = noise(SIZE)
    read = read_frame(frame(7, 14336, sound, 298.5), SOUND)
    assert (read.number, read.first, read.taken_ms) == (7, 14336, 298.5)
    assert np.array_equal(read.rows[:, 0], sound)


def test_a_frame_of_motion_has_four_numbers_a_row():
    rows = np.arange(12.0).reshape(3, 4)
    assert np.array_equal(read_frame(frame(0, 0, rows, 0.0), MOTION).rows, rows)


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"VKF1",
        frame(0, 0, noise(0)),
        frame(0, 0, noise(8))[:-1],
        b"XXXX" + frame(0, 0, noise(8))[4:],
        frame(0, 0, np.array([np.nan], np.float32)),
        frame(0, 0, np.array([np.inf], np.float32)),
        frame(0, 0, np.array([1e6], np.float32)),
        frame(0, 0, noise(8), float("nan")),
        frame(0, 0, noise(8), -1.0),
        frame(0, 0, noise(8), 1e300),
        frame(0, 0, noise(MOST_BYTES)),
    ],
)
def test_what_is_no_frame_is_refused(data):
    with pytest.raises(UnreadableError):
        read_frame(data, SOUND)


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200), st.booleans(), st.sampled_from([SOUND, MOTION]))
def test_any_bytes_are_a_sane_frame_or_refused(data, headed, layout):
    try:
        read = read_frame((b"VKF1" if headed else b"") + data, layout)
    except UnreadableError:
        return
    assert read.rows.shape[1] == len(layout.limits)
    assert np.all(np.isfinite(read.rows))
    assert np.isfinite(read.taken_ms)


def test_missing_frames_and_missing_samples_are_told_apart():
    numbering = Numbering(most=10 * RATE)
    sound = noise(8)

    def following(number, first):
        return numbering.next(read_frame(frame(number, first, sound), SOUND))

    assert following(0, 0).lost == 0
    left_out, dropped = following(1, 8 + 441), following(4, 457 + 32)
    assert (left_out.lost, left_out.why) == (441, BROWSER)
    assert (dropped.lost, dropped.why) == (32, NETWORK)
    assert numbering.frames == 5
    for number, first in ((4, 497), (5, 400), (5, 497 + 11 * RATE)):
        with pytest.raises(UnreadableError, match="cannot follow"):
            following(number, first)


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 300), st.booleans()), max_size=8), st.lists(st.integers(1, 400), min_size=1, max_size=8))
def test_runs_of_zeros_become_gaps_however_the_sound_is_cut(parts, cuts):
    """Against a plain search in the whole: zeros between sound, of LEAST and more, are lost; all other samples come through."""
    whole = np.concatenate([np.full(n, float(i + 1) * loud, np.float32) for i, (n, loud) in enumerate(parts)] or [np.zeros(0, np.float32)])
    runs, out = ZeroRuns(RATE), []
    at = 0
    for size in itertools.cycle(cuts):
        if at >= whole.size:
            break
        out += runs.cut(Piece(whole[at : at + size]))
        at += size
    out += runs.end()
    sound = np.flatnonzero(whole)
    gaps = np.diff(sound) - 1
    assert [piece.lost for piece in out if piece.lost] == [g for g in gaps.tolist() if g >= LEAST]
    again = np.concatenate([np.concatenate([np.zeros(piece.lost, np.float32), piece.samples]) for piece in out] or [whole])
    assert np.array_equal(again, whole)


def test_a_muted_microphone_is_silence_and_no_gap():
    runs = ZeroRuns(RATE)
    pieces = [piece for _ in range(60) for piece in runs.cut(Piece(np.zeros(SIZE, np.float32)))] + list(runs.end())
    assert sum(piece.samples.size for piece in pieces) == 60 * SIZE
    assert not any(piece.lost for piece in pieces)


@pytest.mark.parametrize(
    ("changed", "expected"),
    [
        ({}, ()),
        ({"autoGainControl": True}, ("gain control",)),
        ({"noiseSuppression": True, "echoCancellation": True}, ("echo cancellation", "noise suppression")),
        ({"autoGainControl": None}, ("gain control not known to be off",)),
        ({"echoCancellation": "all"}, ("echo cancellation",)),
        ({"sampleRate": 16000}, ("resampled from 16000 to 48000 Hz",)),
        ({"sampleRate": None}, ()),
    ],
)
def test_what_the_browser_did_is_read_back(changed, expected):
    assert read_stream(START | {"settings": SETTINGS | changed}, 1).processed == expected


@pytest.mark.parametrize(
    "changed",
    [
        {"rate": 0}, {"rate": -48000}, {"rate": float("nan")}, {"rate": 1e12}, {"rate": "48000"}, {"rate": True},
        {"way": "../../etc"}, {"way": None}, {"kind": "video"}, {"settings": []}, {"settings": None},
        {"settings": SETTINGS | {"sampleRate": 10**400}}, {"settings": SETTINGS | {"sampleRate": "48000"}},
        {"position": 1}, {"position": -1}, {"position": "0"}, {"position": True}, {"position": None},
    ],
)  # fmt: skip
def test_what_cannot_be_announced_is_refused(changed):
    with pytest.raises(UnreadableError):
        read_stream(START | changed, 1)


def recorded(folder, frames, stream=PLAIN, made=None, length_s=None):
    """Frames through microphone and recorder, as (recording, take, what is missing at the end)."""
    microphone = PhoneMicrophone(stream)
    recorder = Recorder(microphone, folder, about={"craft": "Wren-4", "position": "north-east"}, length_s=length_s)
    recorder.start()
    for data in frames:
        microphone.receive(read_frame(data, SOUND))
    missing = microphone.end(made)
    take = recorder.finish()
    return read_recording(take.path), take, missing


def test_sound_is_recorded_exactly(tmp_path):
    sound = np.round(noise(20 * SIZE) * 32768).astype(np.float32) / 32768
    frames = [frame(i, i * SIZE, sound[i * SIZE : (i + 1) * SIZE]) for i in range(20)]
    recording, take, missing = recorded(tmp_path, frames, made=20)
    assert take.path.suffix == ".flac"
    assert np.array_equal(recording.samples[0], sound)
    assert recording.rate_hz == RATE
    assert recording.source.processed == recording.lost == ()
    assert missing == ""


def test_what_is_missing_stands_in_the_file(tmp_path):
    """Frame 5 lost on the way, 480 samples left out by the browser before frame 8, zeros in frame 10, the last two frames not there."""
    sound = noise(16 * SIZE)
    first = [i * SIZE + 480 * (i >= 8) for i in range(16)]
    pieces = [sound[i * SIZE : (i + 1) * SIZE].copy() for i in range(16)]
    pieces[10][100:400] = 0
    frames = [frame(i, first[i], pieces[i]) for i in range(14) if i != 5]
    recording, _, missing = recorded(tmp_path, frames, made=16)
    assert [lost.missing for lost in recording.lost] == [SIZE, 480, 300]
    assert [lost.start for lost in recording.lost] == pytest.approx([5 * SIZE, 8 * SIZE, 10 * SIZE + 580], abs=2)
    assert recording.samples.shape[1] == 14 * SIZE + 480
    assert np.array_equal(recording.samples[0, first[12] : first[12] + SIZE], pieces[12])
    assert missing == "The last 2 frames that the phone made did not arrive."


def test_a_phone_that_slept_leaves_a_gap(tmp_path):
    """The phone's clock went on for 3 s between two frames, their numbers did not."""
    count = 12 * RATE // SIZE
    asleep = count // 2
    frames = [frame(i, i * SIZE, noise(SIZE, i), 1000 * (i * SIZE / RATE + 3 * (i >= asleep))) for i in range(count)]
    recording, _, _ = recorded(tmp_path, frames, made=count)
    (lost,) = recording.lost
    assert lost.missing / RATE == pytest.approx(3, abs=0.01)
    assert lost.start <= asleep * SIZE <= lost.stop + SIZE
    assert recording.rate_hz == RATE


def test_a_slow_network_loses_nothing(tmp_path, monkeypatch):
    """Sound that is 2 s late for 10 s, then on time again: its frames are numbered and timed by the phone, so none is missed."""
    count = 30 * RATE // SIZE
    clock = itertools.count()

    def late_ns():
        seconds = next(clock) * SIZE / RATE
        return round(1e9 * (100 + seconds + 2 * (10 < seconds < 20)))

    monkeypatch.setattr("vibekit.capture.phone.microphone.clock_ns", late_ns)
    recording, _, _ = recorded(tmp_path, [frame(i, i * SIZE, noise(SIZE, i)) for i in range(count)], made=count)
    assert recording.lost == ()
    assert (recording.rate_hz, recording.samples.shape[1]) == (RATE, count * SIZE)


def test_a_processed_stream_is_kept_out_of_trends(tmp_path):
    t = np.arange(4 * RATE) / RATE
    sound = (0.2 * np.sin(2 * np.pi * 100 * t) + 0.02 * noise(t.size)).astype(np.float32)
    frames = [frame(i, i * SIZE, sound[i * SIZE : (i + 1) * SIZE]) for i in range(sound.size // SIZE)]
    stream = read_stream(START | {"settings": SETTINGS | {"autoGainControl": True}}, 1)
    recording, _, _ = recorded(tmp_path, frames, stream)
    assert recording.source.processed == ("gain control",)
    assert not screen(recording, Settings()).levels_comparable
    plain, _, _ = recorded(tmp_path / "plain", frames)
    assert screen(plain, Settings()).levels_comparable


def test_sound_faster_than_time_is_refused(tmp_path):
    with pytest.raises(UnreadableError, match="faster"):
        recorded(tmp_path, (frame(i, i * 8192, noise(8192)) for i in range(40 * RATE // 8192)))


def test_a_clock_that_is_set_in_between_is_refused(tmp_path):
    with pytest.raises(UnreadableError, match="clock"):
        recorded(tmp_path, [frame(0, 0, noise(8), 0.0), frame(1, 8, noise(8), 1e13)])


def test_motion_is_a_log_with_the_phones_own_times(tmp_path):
    """7 Hz of 2 m/s2, at 60 readings a second, rounded to 0.1 m/s2 as browsers round."""
    t = np.arange(600) / 60
    rows = np.column_stack([1000 * t + 5e6, np.round(2 * np.sin(2 * np.pi * 7 * t), 1), 0 * t, np.full(t.size, 9.8)])
    log = MotionLog(tmp_path / "motion.csv")
    for i in range(40):
        log.add(read_frame(frame(i, 15 * i, rows[15 * i : 15 * i + 15]), MOTION))
    with pytest.raises(UnreadableError, match="follow"):
        log.add(read_frame(frame(41, 600, rows[:1]), MOTION))
    log.close()
    recording = read_recording(tmp_path / "motion.csv")
    assert [channel.unit for channel in recording.channels] == ["m/s2"] * 3
    assert recording.rate_hz == pytest.approx(60, rel=1e-4)
    assert recording.samples.shape == (3, 600)
    amplitude = 2 * abs(np.exp(-2j * np.pi * 7 * t) @ recording.samples[0]) / t.size
    assert amplitude == pytest.approx(2, abs=0.01)


def test_a_motion_sensor_that_gave_nothing_leaves_no_file(tmp_path):
    MotionLog(tmp_path / "motion.csv").close()
    assert not list(tmp_path.iterdir())


def test_the_door_opens_once():
    door = Door()
    assert not door.knows("")
    assert door.enter("x") == ("wrong", "")
    assert door.enter("\udce4") == ("wrong", "")
    entry, given = door.enter(door.token)
    assert (entry, door.knows(given), door.knows(given[:-1])) == ("in", True, False)
    assert door.enter(door.token) == ("used", "")
    assert len(door.token) >= 22  # 128 bits, six a letter
    assert Door().token != door.token


def test_the_pace_fills_again():
    pace = Pace(200.0, 3)
    assert [pace.allows() for _ in range(4)] == [True, True, True, False]
    time.sleep(0.02)
    assert pace.allows()


def test_the_link_as_squares_has_its_finders_and_its_quiet_zone():
    """ISO/IEC 18004:2015: finder patterns of 7 x 7 in three corners, a quiet zone 4 wide (6.3.3, 6.3.8; from memory)."""
    squares = np.array(Link("https://192.168.1.20:40123/#" + "a" * 22, "AB").squares)
    assert squares.shape[0] == squares.shape[1]
    assert (squares.shape[0] - 8) % 4 == 1
    assert not squares[:4].any()
    assert not squares[:, -4:].any()
    finder = np.pad(np.pad(np.ones((3, 3), bool), 1), 1, constant_values=True)
    for corner in (squares[4:11, 4:11], squares[4:11, -11:-4], squares[-11:-4, 4:11]):
        assert np.array_equal(corner, finder)
