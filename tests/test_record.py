"""`vibekit record`: cautions first, recorded by a real source, screened, judged, kept; and what was cut off is found again."""

import io
import json
import os
import re
import shutil
import sys
import termios
import time
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace
from unittest.mock import Mock

import numpy as np
import pytest
import soundfile

from tests.boards import HEADER, board, frame
from tests.null_sink import lacking, null_sink
from tests.streams import RATE, Stream, first_of, form, numbered, steady
from vibekit import cli
from vibekit.analysis import analyze
from vibekit.capture.files import read_recording
from vibekit.capture.journal import Journal
from vibekit.capture.take import PAUSED
from vibekit.commands.taking import take
from vibekit.errors import UnreadableError
from vibekit.judging import judge_motor
from vibekit.rig import Fault, draw_craft, record
from vibekit.scene import POSITIONS
from vibekit.settings import Settings

CRAFT = "\n".join(['name = "Wren-4"', 'turned = "bench-controller"', *(f'[[rotor]]\nposition = "{position}"' for position in POSITIONS)])


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A craft described, an archive of its own, and no questions answered."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    path = tmp_path / "wren-4.toml"
    path.write_text(CRAFT)
    return path


@pytest.fixture(scope="module")
def sink(tmp_path_factory):
    if lacking():
        pytest.skip(lacking())
    with null_sink(tmp_path_factory.mktemp("sink")) as sink:
        yield sink


def said(capsys) -> str:
    return capsys.readouterr().out


def test_what_a_sound_card_records_is_judged_as_the_file_that_was_played(bench, sink, tmp_path, capsys):
    """A blade damaged on the rig, played into the null sink."""
    played, _ = record(draw_craft(17), rotor=1, test="prop", fault=Fault("blade-damage", 8.0, 1), rate_hz=48_000, duration_s=7.0)
    loudest = np.max(np.abs(played.samples))
    soundfile.write(tmp_path / "played.wav", (played.samples.T / loudest * 0.5), 48_000, subtype="PCM_16")
    playing = sink.play(tmp_path / "played.wav")
    time.sleep(0.8)
    words = ["record", str(bench), "south-east", "--test", "prop", "--for", "4s", "--yes", "--countdown", "0", "--device", "default"]
    assert cli.main([*words, "--sensor", "contact", "--blades", "2", "--setup", "contact pick-up, gain 4"]) == 0
    playing.wait()
    out = said(capsys)
    assert out.index("Battery out") < out.index("recording") < out.index("4.0 s at 48000 Hz from default, ALSA: 4 s are full")
    assert "The maker's instructions, local rules and licensed practice" in out
    assert "kept for Wren-4, south-east" in out
    assert list((tmp_path / "archive" / "takes").iterdir()) == []
    (kept,) = (tmp_path / "archive" / "files").rglob("*.flac")
    given = Settings(test="prop", sensor="contact", blades=2)
    heard, direct = analyze(read_recording(kept), given), analyze(read_recording(tmp_path / "played.wav"), given)
    assert heard.screening.usable
    assert heard.speed.rpm == pytest.approx(direct.speed.rpm, rel=2e-3)
    for line, same in zip(heard.orders, direct.orders, strict=True):
        assert line.amplitude == pytest.approx(same.amplitude, abs=2 * (line.u95 + same.u95)), line.name
    ours, theirs = (judge_motor([reading]).together for reading in (heard, direct))
    assert ours.conclusion.condition == theirs.conclusion.condition
    assert ours.findings[0].condition == theirs.findings[0].condition
    assert ours.findings[0].probability == pytest.approx(theirs.findings[0].probability, abs=0.15)


def test_a_serial_sensor_is_judged_as_what_it_felt(bench, tmp_path, capsys):
    """Three axes of the rig's accelerometer at 8 kHz, in counts, over a pseudo-terminal."""
    rate, scale = 8000, 0.000488
    felt, _ = record(draw_craft(17), rotor=2, test="prop", sensor="accelerometer", axes=3, rate_hz=rate, duration_s=7.0)
    counts = np.round(felt.samples.T / 9.80665 / scale).astype("<i2")

    def messages():
        for first in range(0, len(counts) - 80, 80):
            head = frame(1, first, HEADER.format(rate=rate).encode()) if first % rate < 80 else b""
            yield (first + 80) / rate, head + frame(2, first, counts[first : first + 80].tobytes())

    words = ["record", str(bench), "south-west", "--test", "prop", "--for", "4s", "--yes", "--countdown", "0"]
    with board(messages()) as wire:
        assert cli.main([*words, "--port", wire.port]) == 0
    assert "Siskin at" in said(capsys)
    (kept,) = (tmp_path / "archive" / "files").rglob("*.wav")
    recording = read_recording(kept)
    assert [channel.unit for channel in recording.channels] == ["g", "g", "g"]
    given = Settings(test="prop", sensor="accelerometer")
    heard, direct = analyze(recording, given), analyze(felt, given)
    assert heard.speed.rpm == pytest.approx(direct.speed.rpm, rel=5e-3)
    first, same = heard.orders[1], direct.orders[1]
    assert first.name == same.name == "1x"
    assert first.amplitude * 9.80665 == pytest.approx(same.amplitude, rel=0.05)


def test_the_cautions_come_first_and_a_no_records_nothing(bench, sink, capsys, monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("n\n"))
    assert cli.main(["record", str(bench), "north-east", "--test", "bare"]) == 1
    out = said(capsys)
    assert out.index("! Battery out") < out.index("Enter when the bench is ready") < out.index("nothing was recorded")
    assert "two controllers on one winding destroy each other" in out, "those of how this craft is turned"
    assert "Propeller off: 20 s at each of three speeds" in out


def test_a_recording_that_clips_may_be_taken_again(bench, sink, tmp_path, capsys, monkeypatch):
    """Too loud, and the answer is yes; the second time no."""
    played, _ = record(draw_craft(17), rotor=1, test="prop", rate_hz=48_000, duration_s=9.0)
    soundfile.write(tmp_path / "loud.wav", np.clip(played.samples.T / np.std(played.samples), -0.99997, 0.99997), 48_000, subtype="PCM_16")
    playing = sink.play(tmp_path / "loud.wav")
    time.sleep(0.8)
    monkeypatch.setattr(sys, "stdin", io.StringIO("\ny\n\nn\n"))
    cli.main(["record", str(bench), "south-east", "--test", "prop", "--for", "2s", "--countdown", "0"])
    playing.kill()
    playing.wait()
    out = said(capsys)
    assert "cut flat" in out
    assert out.count("Record again?") == 2
    assert out.count("2 s are full") == 2
    assert "the first recording stays here" in out


def test_a_microphone_that_gives_only_zeros_is_named(bench, sink, tmp_path, capsys):
    """What a system gives that has not permitted the microphone; here the null sink, into which silence plays."""
    assert cli.main(["record", str(bench), "north-east", "--test", "bare", "--yes", "--countdown", "0", "--for", "10s"]) == 2
    error = capsys.readouterr().err
    assert "default, ALSA gives only zeros. Allow the microphone for this program" in error
    assert list((tmp_path / "archive" / "takes").iterdir()) == []


def test_what_can_be_recorded_from_is_listed(sink, capsys):
    assert cli.main(["record", "--devices"]) == 0
    out = said(capsys)
    assert "default, ALSA (32 channels, 48000 Hz)  (default)" in out


def test_what_was_cut_off_is_offered_and_recovered(bench, tmp_path, capsys):
    takes = tmp_path / "archive" / "takes"
    about = {"craft": "Wren-4", "position": "north-east", "test": "bare", "setup": "gain 4"}
    journal = Journal(takes, form(), about, datetime.now().astimezone())
    journal.block(0, 0, numbered(0, 96_000).astype(np.float32) / 32768)
    journal.close()
    assert cli.main(["record", str(bench), "north-east"]) == 2
    assert "a recording was cut off: Wren-4, north-east, bare, 2.0 s from" in capsys.readouterr().err
    assert cli.main(["record", "--recover"]) == 0
    out = said(capsys)
    assert "the program was cut off" in out
    (file,) = takes.glob("*.flac")
    assert f"vibekit add Wren-4 north-east {file} --test bare --setup 'gain 4'" in out
    assert json.loads(file.with_suffix(".json").read_text())["frames"] == 96_000
    assert cli.main(["record", "--recover"]) == 0
    assert "no recording was cut off" in said(capsys)


def test_a_take_that_the_archive_has_no_room_for_stays_and_is_named(bench, tmp_path, capsys, monkeypatch):
    taken, source = SimpleNamespace(path=tmp_path / "take.flac"), SimpleNamespace(form=SimpleNamespace(sensor=None))
    chosen = SimpleNamespace(words="a source", source=source, reader=None)
    full = UnreadableError("take.flac: No space left on device; nothing was kept")
    monkeypatch.setattr("vibekit.commands.record.choose_source", lambda *_: chosen)
    monkeypatch.setattr("vibekit.commands.taking.take", lambda *_, **__: taken)
    monkeypatch.setattr("vibekit.commands.record._problems", lambda *_: [])
    monkeypatch.setattr("vibekit.commands.record.keep_file", Mock(side_effect=full))
    assert cli.main(["record", str(bench), "north-east", "--test", "bare", "--setup", "gain 4", "--yes"]) == 2
    error = capsys.readouterr().err
    assert error.count("\n") == 1
    assert (
        f"the recording itself stays: put that right, then vibekit add Wren-4 north-east {taken.path} --test bare --setup 'gain 4'" in error
    )


def test_what_waits_is_listed_with_the_archive(bench, tmp_path, capsys):
    """One take cut off, one whose file was made and kept by nobody, one that is being recorded."""
    takes = tmp_path / "archive" / "takes"
    sound = tmp_path / "sound.wav"
    soundfile.write(sound, record(draw_craft(17), rotor=0, test="bare", duration_s=3.0)[0].samples.T, 48_000, subtype="FLOAT")
    assert cli.main(["add", str(bench), "north-east", str(sound), "--test", "bare", "--sensor", "contact"]) == 0

    def begun(position):
        about = {"craft": "Wren-4", "position": position, "test": "bare", "setup": ""}
        journal = Journal(takes, form(), about, datetime.now().astimezone())
        journal.block(0, 0, numbered(0, 96_000).astype(np.float32) / 32768)
        return journal

    begun("north-east").close()
    cli.main(["record", "--recover"])
    begun("south-east").close()
    running = begun("south-west")
    capsys.readouterr()
    assert cli.main(["archive", "list", "Wren-4"]) == 0
    out = said(capsys)
    for position, state in (("north-east", "not in the archive"), ("south-east", "cut off"), ("south-west", "being recorded")):
        assert f"Wren-4, {position}, bare: {state}, 2.0 s from" in out
    assert "`vibekit record --recover` makes files of those that were cut off" in out
    assert cli.main(["archive", "list", "--json"]) == 0
    told = {take["about"]["position"]: take["state"] for take in json.loads(said(capsys))["takes"]}
    assert told == {"north-east": "not in the archive", "south-east": "cut off", "south-west": "being recorded"}
    running.close()


def test_the_space_bar_pauses_and_goes_on(tmp_path, monkeypatch, capsys):
    """On a terminal, which is as it was afterwards."""
    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    with open(slave) as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        stream = Stream(steady(2.0))

        def press(number):
            if number in (50, 120):
                os.write(master, b"x " if number == 50 else b" ")

        stream.between = press
        taken = take(stream, tmp_path, {}, length_s=None)
        assert termios.tcgetattr(slave) == before
    os.close(master)
    (gap,) = taken.account.gaps
    assert gap.why == PAUSED
    assert gap.missing / RATE == pytest.approx(0.7, abs=0.4)
    found = soundfile.read(taken.path, dtype="int16")[0]
    assert first_of(found[: gap.frame]) == 0
    assert first_of(found[gap.frame + gap.filled :]) == gap.frame + gap.missing
    out = said(capsys)
    assert "recording; the space bar pauses and goes on, Ctrl-C ends it" in out
    assert re.search(r"  paused once: \S+ m?s left out", out)


def test_without_a_terminal_no_key_is_promised(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdin", io.StringIO(" "))
    taken = take(Stream(steady(0.3)), tmp_path, {}, length_s=None)
    assert taken.account.gaps == ()
    assert said(capsys).startswith("recording\n")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "name the CRAFT and the POSITION"),
        (["CRAFT"], "name the POSITION to record: one of north-east"),
        (["CRAFT", "starboard", "--test", "bare"], "position is 'starboard'"),
        (["CRAFT", "north-east"], "say with --test how the motor turns"),
        (["CRAFT", "north-east", "--test", "bare", "--for", "soon"], "--for is 'soon'"),
        (["CRAFT", "north-east", "--test", "bare", "--columns", "t,x"], "--columns describes a serial stream"),
        (["CRAFT", "north-east", "--test", "bare", "--port", "nowhere-at-all"], "--port 'nowhere-at-all' means no port"),
    ],
)
def test_what_does_not_fit_is_said_in_one_line(bench, capsys, words, message):
    assert cli.main(["record", *(str(bench) if word == "CRAFT" else word for word in words)]) == 2
    error = capsys.readouterr().err
    assert message in error
    assert error.count("\n") == 1


def test_nothing_is_written_by_a_wrong_word(bench, tmp_path):
    shutil.rmtree(tmp_path / "archive", ignore_errors=True)
    cli.main(["record", str(bench), "starboard", "--test", "bare"])
    assert not Path(tmp_path / "archive").exists()
