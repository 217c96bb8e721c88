"""Tap tests on the command line, and what they say about runs at a mode of the frame."""

import json

import numpy as np
import pytest
import soundfile

from tests.readings import READING
from tests.test_modes import RATE, blows, struck, true_modes
from vibekit.cli import main
from vibekit.frame_evidence import frame_hints
from vibekit.mode import FrameMode, merged
from vibekit.problem import Screening
from vibekit.reading import SpeedResult
from vibekit.recording import Channel, Recording
from vibekit.screening import screen_speed
from vibekit.settings import Settings


@pytest.fixture(scope="module")
def knocks(tmp_path_factory):
    rng = np.random.default_rng(11)
    x = struck(blows(rng, 4), seconds=5.4, noise=0.003, rng=rng)[0]
    path = tmp_path_factory.mktemp("tap") / "knocks.wav"
    soundfile.write(path, 0.8 * x / np.abs(x).max(), int(RATE), subtype="FLOAT")
    return path


def run_at(hz, path, seconds=6.0, rate=8000):
    """A rotor at `hz` with some harmonics in noise."""
    time = np.arange(int(seconds * rate)) / rate
    x = sum(a * np.cos(2 * np.pi * k * hz * time + k) for k, a in ((1, 0.2), (2, 0.05), (3, 0.03), (4, 0.03)))
    soundfile.write(path, x + np.random.default_rng(0).normal(0, 0.01, time.size), rate, subtype="FLOAT")
    return path


def test_the_command_prints_the_modes(knocks, capsys):
    assert main(["tap", str(knocks)]) == 0
    printed = capsys.readouterr().out
    frequency, _ = true_modes()
    assert "4 clean knocks, modes sought up to 1000 Hz" in printed
    assert f"{frequency[0]:.1f} ± 0." in printed
    assert f"1x meets it at {60 * frequency[1]:.0f}"[:-1] in printed
    assert main(["tap", str(knocks), str(knocks), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["schema"] == "vibekit.tap/1"
    assert [mode["frequency_hz"] for mode in found["modes"]] == pytest.approx(frequency, rel=0.003)
    assert len(found["files"]) == 2


def test_a_run_at_a_mode_is_called_so_and_not_blamed_on_the_propeller(knocks, tmp_path, capsys):
    frequency, _ = true_modes()
    file = run_at(frequency[1] * 1.01, tmp_path / "run.wav")
    words = ["analyze", str(file), "--test", "prop", "--speed", f"{frequency[1] * 1.01:.2f}Hz", "--tap", str(knocks)]
    main(words)
    printed = " ".join(capsys.readouterr().out.split())
    assert "Modes of the frame:" in printed
    assert f"lies on the frame's mode at {frequency[1]:.1f}" in printed
    assert "do not blame the propeller" in printed
    main([*words, "--json"])
    found = json.loads(capsys.readouterr().out)
    assert "near-mode" in [problem["code"] for problem in found["screening"]["problems"]]
    assert len(found["modes"]) == 3
    main([*words[:-2], "--json"])
    without = json.loads(capsys.readouterr().out)
    chance = [{f["condition"]: f["probability"] for f in one["findings"]} for one in (found, without)]
    assert chance[0]["resonance"] > chance[1].get("resonance", 0.02)
    assert chance[0].get("prop-imbalance", 0) <= chance[1].get("prop-imbalance", 0)


def test_a_file_that_is_no_tap_test_is_refused_in_one_line(tmp_path, capsys):
    file = run_at(100.0, tmp_path / "run.wav", seconds=2.0)
    assert main(["tap", str(file)]) == 2
    assert capsys.readouterr().err == (f"vibekit: {file}: 0 clean knocks; a tap test needs 3 or more, at least half a second apart\n")


MODE = FrameMode(100.0, 0.5, 0.03, 0.002)


def problems(rpm, **stated):
    speed = SpeedResult("typed", rpm, 1.0, stated.pop("rpm_min", rpm), stated.pop("rpm_max", rpm))
    recording = Recording(np.zeros((1, 48_000)), 48_000.0, (Channel(),))
    return [p for p in screen_speed(recording, Settings(modes=(MODE,), **stated), speed) if p.code == "near-mode"]


def test_the_speeds_named_are_those_at_which_the_mode_amplifies_little():
    (found,) = problems(6000.0, test="prop")
    low, high = (float(word) for word in found.detail.split("Measure again below ")[1].split(" rpm")[0].split(" or above "))
    for rpm in (low, high):
        assert MODE.amplification(rpm / 60) == pytest.approx(2.5, rel=0.02)
    assert not problems(low - 20, test="bare")[:1] or "1x" not in problems(low - 20, test="bare")[0].detail[:2]
    assert problems(6000.0, test="flight") == []
    assert [p.detail[:2] for p in problems(3000.0, test="prop")] == ["2x"]
    assert [p.detail[:10] for p in problems(2000.0, test="prop", blades=3)] == ["blade pass"]


def test_a_run_up_past_a_mode_says_where():
    (found,) = problems(6000.0, test="run-up", rpm_min=3000.0, rpm_max=9000.0)
    assert found.severity == "note"
    assert "100.0 ± 0.5 Hz (damping 3.0 ± 0.2 %) at 6000 rpm" in found.detail


def steady(rpm, modes=(MODE,)):
    return READING.__class__(
        **{
            **{name: getattr(READING, name) for name in READING.__dataclass_fields__},
            "settings": Settings("prop", modes=modes),
            "speed": SpeedResult("typed", rpm, 1.0),
            "screening": Screening(),
        }
    )


def test_evidence_for_and_against_a_resonance():
    (near,) = frame_hints([steady(6100.0)])
    (far,) = frame_hints([steady(9000.0)])
    assert near.odds["resonance"] > 0 > far.odds["resonance"]
    assert near.odds.keys() == far.odds.keys() == {"resonance"}
    assert frame_hints([steady(6000.0, ())]) == ()


def test_modes_at_one_frequency_are_one():
    sharp = FrameMode(101.0, 0.1, 0.03, 0.001)
    assert merged([MODE, sharp, FrameMode(200.0, 1.0, 0.05, 0.01)]) == (sharp, FrameMode(200.0, 1.0, 0.05, 0.01))
