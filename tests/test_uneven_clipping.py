"""A log of uneven rows is put on an even grid; what was clipped in it is still noticed, and rows keep their calibration."""

import numpy as np
import pytest

from vibekit.capture.files import read_recording
from vibekit.screening import screen
from vibekit.settings import Settings

N = 3000


def log(path, seed, cut=None, form="%.4f,%.5f\n"):
    """A phone's log: rows 10 ms apart on average, scattered by 1.5 ms; a wandering sine of 17 Hz in noise, cut at `cut`."""
    rng = np.random.default_rng(seed)
    time = np.sort(np.arange(N) * 0.01 + rng.normal(0, 0.0015, N))
    x = (1 + 0.2 * np.sin(0.7 * time)) * np.sin(2 * np.pi * 17 * time) + rng.normal(0, 0.3, N)
    if cut is not None:
        x = np.clip(x, -cut, cut)
    path.write_text("time_s,x (m/s2)\n" + "".join(form % row for row in zip(time, x, strict=True)), encoding="utf-8")
    return path


def clipping(recording):
    return [p.severity for p in screen(recording, Settings(sensor="phone-motion")).problems if p.code == "clipping"]


@pytest.mark.parametrize("seed", range(5))
def test_a_clipped_uneven_log_is_noticed(tmp_path, seed):
    recording = read_recording(log(tmp_path / "cut.csv", seed, 1.35))
    assert recording.taken is not None
    share = np.mean(np.abs(recording.taken.samples) >= 1.35)
    assert 0.01 < share < 0.09
    assert np.abs(recording.samples).max() > 1.4  # the spline has made round tops of the flat ones
    assert clipping(recording) == ["warning"]


@pytest.mark.parametrize("seed", range(5))
def test_an_uneven_log_that_is_not_clipped_is_called_nothing(tmp_path, seed):
    assert clipping(read_recording(log(tmp_path / "free.csv", seed))) == []


def test_the_rows_as_taken_are_those_of_the_file(tmp_path):
    path = log(tmp_path / "log.csv", 0)
    time, x = np.loadtxt(path, delimiter=",", skiprows=1).T
    recording = read_recording(path)
    assert recording.taken.time_s == pytest.approx(time, abs=1e-9)
    assert recording.taken.samples[0] == pytest.approx(x)
    grown = read_recording(log(tmp_path / "raw.csv", 0), unit="m/s2")
    assert grown.taken.samples.shape == (1, N)


def test_a_sensitivity_holds_for_the_rows_too(tmp_path):
    path = log(tmp_path / "raw.csv", 0)
    path.write_text(path.read_text(encoding="utf-8").replace("x (m/s2)", "x (V)"), encoding="utf-8")
    plain, scaled = read_recording(path), read_recording(path, unit="g", sensitivity=0.5)
    assert scaled.taken.samples == pytest.approx(0.5 * plain.taken.samples)


def test_an_even_log_has_no_rows_beside_its_samples(tmp_path):
    path = tmp_path / "even.csv"
    path.write_text("time_s,x\n" + "".join(f"{i * 0.01:.2f},{np.sin(i):.4f}\n" for i in range(500)), encoding="utf-8")
    assert read_recording(path).taken is None
