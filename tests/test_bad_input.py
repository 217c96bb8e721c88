"""Bad input on the command line: one clear line, the right exit status, nothing kept."""

import json
import shutil

import numpy as np
import pytest
import soundfile

from vibekit.archive import Archive
from vibekit.cli import main
from vibekit.place import find_place

RATE = 48000


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.chdir(tmp_path)
    tmp_path.joinpath("wren-4.toml").write_text('name = "Wren-4"\n[[rotor]]\nposition = "north-east"\n', encoding="utf-8")
    noise = np.random.default_rng(0).normal(0, 0.1, RATE)
    soundfile.write("good.wav", noise, RATE)
    soundfile.write("one.wav", noise[:1], RATE)
    soundfile.write("zeros.wav", np.zeros(2 * RATE), RATE)
    soundfile.write("short.wav", noise[:200], RATE)
    soundfile.write("nan.wav", np.append(noise, np.nan).astype(np.float32), RATE, subtype="FLOAT")
    tmp_path.joinpath("empty.wav").touch()
    tmp_path.joinpath("text.wav").write_text("this is no sound\n" * 40)
    tmp_path.joinpath("log.csv").write_text("time_s,x\n" + "".join(f"{i / 1000},{i % 7}\n" for i in range(3000)))
    return tmp_path


def kept():
    place = find_place()
    if place.database is None or not place.database.exists():
        return 0
    with Archive(place, create=False) as archive:
        return len(archive.reading_ids())


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["missing.wav"], "missing.wav"),
        (["empty.wav"], "empty.wav"),
        (["text.wav"], "text.wav"),
        (["nan.wav"], "nan"),
        (["log.csv", "--columns", "x,q"], "'q'"),
        (["good.wav", "--speed", "-5rpm"], "-5rpm"),
        (["good.wav", "--speed", "1797"], "1797"),
        (["good.wav", "--bearing", "9,7.94"], "9,7.94"),
        (["good.wav", "--bearing", "9,40,7.94"], "40"),
        (["good.wav", "--test", "sideways"], "sideways"),
        (["good.wav", "--unit", "dB"], "dB"),
        (["good.wav", "--roles", "vibration,tacho"], "tacho"),
        (["good.wav", "--blades", "0"], "0"),
        (["good.wav", "--blades", "two"], "must be a whole number, not 'two'"),
        (["good.wav", "--clock", "fast"], "must be a number, not 'fast'"),
        (["good.wav", "--no-such-option"], "--no-such-option"),
    ],
)
@pytest.mark.parametrize("command", [["analyze"], ["add", "wren-4.toml", "north-east"]])
def test_one_line_and_exit_two(folder, capsys, command, words, named):
    try:
        status = main([*command, *words])
    except SystemExit as stop:
        status = stop.code
    said = capsys.readouterr()
    assert status == 2
    assert said.out == ""
    assert said.err.startswith("vibekit: ")
    assert len(said.err.splitlines()) == 1
    assert named in said.err
    assert kept() == 0


@pytest.mark.parametrize("name", ["one.wav", "zeros.wav", "short.wav"])
def test_what_reads_but_cannot_be_judged_is_undecided_with_the_reason(folder, capsys, name):
    assert main(["analyze", name, "--json"]) == 1
    result = json.loads(capsys.readouterr().out)
    assert result["conclusion"]["condition"] == "undecided"
    assert not result["screening"]["usable"]
    assert any(p["severity"] == "stop" and p["detail"] for p in result["screening"]["problems"])
    assert main(["add", "wren-4.toml", "north-east", name]) == 1
    assert kept() == 0


def test_one_recording_with_nothing_to_compare_with_is_never_called_healthy(folder, capsys):
    assert main(["analyze", "good.wav", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["conclusion"]["condition"] != "healthy"


@pytest.mark.parametrize(
    "words", [["good.wav", "good.wav"], ["good.wav", "copy.wav", "--same-motor"], ["good.wav", "--baseline", "copy.wav"]]
)
@pytest.mark.parametrize("command", [["analyze"], ["report", "-o", "page.html"]])
def test_a_recording_is_not_held_against_itself(folder, capsys, command, words):
    shutil.copy("good.wav", "copy.wav")
    assert main([*command, *words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "good.wav" in said.err
    assert "the same recording twice" in said.err


def test_motors_whose_files_are_named_alike_are_told_apart(folder, capsys):
    for number, arm in enumerate(("north-east", "south-east")):
        folder.joinpath(arm).mkdir()
        soundfile.write(f"{arm}/take.wav", np.random.default_rng(number).normal(0, 0.1, RATE), RATE)
    assert main(["analyze", "north-east/take.wav", "south-east/take.wav"]) == 0
    rows = [line for line in capsys.readouterr().out.splitlines() if "cannot tell" in line][:2]
    assert ["north-east/take.wav" in rows[0], "south-east/take.wav" in rows[1]] == [True, True]


def test_the_demo_removes_no_archive_but_its_own(folder, capsys):
    folder.joinpath("archive").mkdir()
    assert main(["demo", "-o", "."]) == 2
    assert "archive" in capsys.readouterr().err
    assert folder.joinpath("archive").exists()


def test_how_the_motor_turned_is_asked_for_where_it_was_not_said(folder, capsys):
    main(["analyze", "good.wav"])
    assert "--test" in capsys.readouterr().out.splitlines()[0]
    main(["analyze", "good.wav", "--test", "bare"])
    assert "--test" not in capsys.readouterr().out.splitlines()[0]
