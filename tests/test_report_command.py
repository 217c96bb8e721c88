import numpy as np
import pytest
import soundfile

from tests.wren4 import POSITIONS
from vibekit.cli import main
from vibekit.rig import Fault, draw_craft, record


@pytest.fixture(scope="module")
def recordings(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wren4")
    craft = draw_craft(3)
    for rotor, position in enumerate(POSITIONS):
        fault = Fault("bearing-grit", 8.0, 0) if rotor == 0 else None
        recording, _ = record(craft, rotor=rotor, test="bare", fault=fault, sensor="contact", duration_s=2.0)
        soundfile.write(folder / f"{position}.wav", recording.samples[0], round(recording.rate_hz), subtype="FLOAT")
    soundfile.write(folder / "silent.wav", np.zeros(48_000), 48_000)
    return folder


def test_recordings_become_a_report(recordings, tmp_path, capsys):
    target = tmp_path / "wren4.html"
    files = [str(recordings / f"{position}.wav") for position in POSITIONS]
    assert main(["report", *files, "--test", "bare", "--sensor", "contact", "-o", str(target)]) == 0
    said = capsys.readouterr().out.strip()
    assert said == f"report of wren4: {target}"
    text = target.read_text(encoding="utf-8")
    for position in POSITIONS:
        assert f'<span class="position">{position}</span>' in text
    assert "bearing rough or gritty" in text


def test_a_recording_that_cannot_be_judged_gives_a_report_and_status_1(recordings, tmp_path):
    target = tmp_path / "silent.html"
    assert main(["report", str(recordings / "silent.wav"), "--title", "Wren-4", "-o", str(target)]) == 1
    text = target.read_text(encoding="utf-8")
    assert "<h1>Wren-4</h1>" in text
    assert "not fit to judge" in text


def test_one_recording_gives_the_report_its_name(recordings, tmp_path, capsys):
    target = tmp_path / "r.html"
    assert main(["report", str(recordings / "silent.wav"), "-o", str(target)]) == 1
    assert "report of silent:" in capsys.readouterr().out
    assert "<h1>silent</h1>" in target.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (["Wren-4", "-o", "report.doc"], "report.doc"),
        (["Wren-4", "-o", "report.html"], "no archive"),
        (["one.wav", "two.wav", "-o", "report.html"], "one.wav"),
        (["one.wav", "-o", "report.html", "--photo", "prop.jpg=marked"], "--before"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(words, named, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    assert main(["report", *words]) == 2
    error = capsys.readouterr().err
    assert named in error
    assert error.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
