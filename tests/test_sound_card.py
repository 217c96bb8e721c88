"""Sound cards: chosen without doubt, recorded bit for bit through real PortAudio, and missed when they go."""

import os
import re
import signal
import subprocess
import sys
import threading
import time
import types
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.null_sink import RATE, lacking, null_sink
from vibekit.capture import sound_card
from vibekit.capture.files import read_recording
from vibekit.capture.recorder import Recorder
from vibekit.capture.sound_card import Device, SoundCard, choose, devices
from vibekit.errors import UnreadableError, UsageError
from vibekit.screening import screen
from vibekit.settings import Settings

ROOT = Path(__file__).resolve().parent.parent
SECONDS = float(os.environ.get("VIBEKIT_PLAY_S", "2"))  # 600 were run by hand
BENCH = [
    Device(0, "Built-in Audio", "ALSA", 2, 48_000),
    Device(1, "Siskin pick-up", "ALSA", 1, 44_100),
    Device(2, "Siskin two-channel interface", "ALSA", 2, 96_000),
    Device(11, "Headset", "ALSA", 1, 16_000),
]


def test_a_device_is_chosen_by_number_or_by_part_of_its_name():
    assert choose("11", BENCH, BENCH[0]).name == "Headset"
    assert choose("two-channel", BENCH, BENCH[0]).number == 2
    assert choose("siskin PICK-UP", BENCH, BENCH[0]).number == 1
    assert choose(None, BENCH, BENCH[0]).number == 0
    assert choose("Siskin pick-up, ALSA", BENCH, BENCH[0]).number == 1


def test_a_number_is_no_part_of_a_name():
    named = [Device(0, "Input 1", "ALSA", 1, 48_000), Device(1, "Input 2", "ALSA", 1, 48_000)]
    assert choose("1", named, None).name == "Input 2"


@pytest.mark.parametrize(("wanted", "words"), [("siskin", "means 2 devices"), ("robin", "means no device"), ("7", "means no device")])
def test_what_is_not_clear_is_asked_with_the_list(wanted, words):
    with pytest.raises(UsageError, match=words) as caught:
        choose(wanted, BENCH, BENCH[0])
    assert "1: Siskin pick-up, ALSA (1 channel, 44100 Hz)" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_of_several_ways_to_one_device_the_direct_one_is_taken():
    """One of them cuts names at 31 characters."""
    name = "Microphone (Siskin two-channel interface)"
    ways = [
        Device(1, name[:31], "MME", 2, 44_100),
        Device(5, name, "Windows DirectSound", 2, 44_100),
        Device(9, name, "Windows WASAPI", 2, 48_000),
    ]
    assert choose("Siskin", ways, None).number == 9


def test_without_a_default_or_any_device_one_sentence_says_so():
    with pytest.raises(UsageError, match="no device is the default"):
        choose(None, BENCH, None)
    with pytest.raises(UnreadableError, match="no microphone or interface"):
        choose(None, [], None)


def test_a_headset_over_bluetooth_is_refused():
    with pytest.raises(UsageError, match="16000 Hz, as a headset over Bluetooth does"):
        SoundCard(BENCH[3])


def test_more_roles_than_channels_are_refused():
    with pytest.raises(UsageError, match="2 roles are given; Siskin pick-up, ALSA has 1 channels"):
        SoundCard(BENCH[1], roles=("vibration", "tacho"))


def test_without_portaudio_files_are_analysed_all_the_same():
    """An import that fails as sounddevice's does where the library is missing."""
    code = (
        "import sys, importlib.abc\n"
        "class Gone(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        if name == 'sounddevice': raise OSError('PortAudio library not found')\n"
        "sys.meta_path.insert(0, Gone())\n"
        "from vibekit.capture.files import read_recording\n"
        "from vibekit.capture.sound_card import devices\n"
        "try: devices()\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT, capture_output=True, text=True)
    assert done.stdout.startswith("UnreadableError recording needs PortAudio: sudo apt install libportaudio2")


@pytest.fixture(scope="module")
def sink(tmp_path_factory):
    if lacking():
        pytest.skip(lacking())
    with null_sink(tmp_path_factory.mktemp("sink")) as sink:
        yield sink


def served() -> Device:
    found, default = devices()
    return choose("default", found, default)


def played(seconds: float) -> np.ndarray:
    """(n, 2): a tone, and a count that tells where one is."""
    n = np.arange(round(seconds * RATE))
    return np.stack([np.round(8191 * np.sin(2 * np.pi * 1000 * n / RATE)), n % 30_000 + 1], axis=1).astype(np.int16)


def test_the_sound_server_is_recorded_at_its_own_rate(sink):
    assert served().rate_hz == RATE


def test_what_is_played_is_recorded_bit_for_bit(sink, tmp_path):
    """After the first 10 ms, in which the null sink itself may lose some. Silence is what a player lets in that comes too late."""
    reference = played(SECONDS)
    soundfile.write(tmp_path / "played.wav", reference, RATE)
    recorder = Recorder(SoundCard(served(), roles=("vibration", "tacho")), tmp_path / "takes")
    recorder.start()
    time.sleep(0.5)
    began = time.process_time()
    sink.play(tmp_path / "played.wav").wait()
    used = time.process_time() - began
    time.sleep(0.5)
    take = recorder.finish()
    assert take.account.gaps == ()
    assert take.account.rate_hz == RATE
    found, _ = soundfile.read(take.path, dtype="int16")
    found = found[found[:, 1] != 0]
    late = int(found[0, 1]) - 1
    assert late <= 0.01 * RATE
    assert np.array_equal(found, reference[late:])
    if SECONDS >= 60:  # in less, what a start costs on a busy computer covers it
        assert used < 0.1 * SECONDS, "a tenth of a core"
    assert [channel.role for channel in read_recording(take.path).channels] == ["vibration", "tacho"]


def test_one_of_two_channels_can_be_left_out(sink, tmp_path):
    soundfile.write(tmp_path / "played.wav", played(0.5), RATE)
    recorder = Recorder(SoundCard(served(), roles=("ignore", "vibration")), tmp_path / "takes")
    recorder.start()
    sink.play(tmp_path / "played.wav").wait()
    take = recorder.finish()
    found, _ = soundfile.read(take.path, dtype="int16")
    assert found.ndim == 1
    assert set(np.unique(np.diff(found[np.flatnonzero(found)]))) <= {1}


def test_a_device_that_does_not_open_says_so(sink, tmp_path, monkeypatch):
    found, _ = devices()
    wrong = Device(found[0].number, found[0].name, found[0].host, 400, RATE)
    with pytest.raises(UnreadableError, match="does not open"):
        Recorder(SoundCard(wrong, roles=["vibration"] * 300), tmp_path).start()
    assert list(tmp_path.iterdir()) == []


def test_a_card_that_is_unplugged_ends_the_take_and_keeps_it(tmp_path):
    """The sound server is killed: PortAudio then only stops being active."""
    if lacking():
        pytest.skip(lacking())
    with null_sink(tmp_path) as sink:
        recorder = Recorder(SoundCard(served()), tmp_path / "takes")
        recorder.start()
        until = time.monotonic() + 30
        while (seen := recorder.glance()) is None or seen.seconds < 0.4:
            assert time.monotonic() < until
            time.sleep(0.02)
        sink.daemon.kill()
        assert recorder.done.wait(30)
        take = recorder.finish()
    assert recorder.ended in (
        "default, ALSA stopped: unplugged, or taken by another program",
        "nothing came from default, ALSA for 10 s",  # when PortAudio itself does not notice
    )
    assert take.account.frames / RATE >= 0.4


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGSTOP here")
def test_a_sound_server_that_stands_still_for_three_seconds_is_outlived_and_told(tmp_path):
    """PulseAudio fills in zeros for what it missed, so that nothing lacks by the clock: they are the drop-out."""
    if lacking():
        pytest.skip(lacking())
    with null_sink(tmp_path) as sink:
        soundfile.write(tmp_path / "played.wav", played(12), RATE)
        recorder = Recorder(SoundCard(served(), roles=("vibration", "ignore")), tmp_path / "takes")
        recorder.start()
        sink.play(tmp_path / "played.wav")
        time.sleep(3)
        sink.daemon.send_signal(signal.SIGSTOP)
        time.sleep(3)
        sink.daemon.send_signal(signal.SIGCONT)
        time.sleep(3)
        assert not recorder.done.is_set()
        take = recorder.finish()
    recording = read_recording(take.path)
    sounding = np.flatnonzero(recording.samples[0])
    assert (sounding[-1] - sounding[0]) / RATE == pytest.approx(9 - 0.5, abs=1.5), "before and after"
    told = next(problem.detail for problem in screen(recording, Settings()).problems if problem.code == "drop-out")
    assert 2.0 <= float(re.search(r"([\d.]+) s in all", told)[1]) <= 3.5


def test_a_device_that_never_closes_holds_nobody_up(monkeypatch):
    """As PortAudio was seen to do, once in many, when the sound server was killed under it."""
    pytest.importorskip("sounddevice", exc_type=OSError)
    monkeypatch.setattr(sound_card, "CLOSE_S", 0.2)
    monkeypatch.setattr(sound_card.atexit, "unregister", lambda handler: left.append(handler.__name__))
    left, forever = [], threading.Event()
    card = SoundCard(BENCH[0])
    card._stream = types.SimpleNamespace(close=lambda ignore_errors: forever.wait())
    card.stop()
    forever.set()
    assert left == ["_exit_handler"]


def test_a_server_that_does_not_tell_its_rate_is_no_trouble(monkeypatch):
    monkeypatch.setattr(sound_card, "_server", lambda *words: "nonsense")
    assert sound_card._served_rate() is None
