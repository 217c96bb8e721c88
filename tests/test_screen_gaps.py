"""Gaps of text logs."""

import numpy as np
import pytest

from tests.screened import ANY, found
from vibekit.capture.files import read_recording
from vibekit.screening import leave_out, screen


def log_with_gaps(folder, lost_s, count=1):
    """A log of a phone's motion sensor, uneven clock, with nothing written for a while at some places: recording, time of each (s)."""
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.uniform(0.006, 0.014, 2_000))
    at = np.arange(1, count + 1) * 2_000 // (count + 1)
    for row in at:
        time[row:] += lost_s
    x = np.sin(2 * np.pi * 9.3 * time) + 0.1 * rng.standard_normal(time.size)
    file = folder / "log.csv"
    file.write_text("time_s,x\n" + "".join(f"{t:.5f},{v:.5f}\n" for t, v in zip(time, x, strict=True)))
    return read_recording(file, unit="m/s2"), (time[at - 1] + time[at]) / 2 - time[0]


def test_gaps_of_a_log_are_told_and_their_bridges_left_out(tmp_path):
    recording, places = log_with_gaps(tmp_path, 0.28, 3)
    gap = next(p for p in screen(recording, ANY).problems if p.code == "gap")
    assert gap.severity == "warning"
    assert "3 gaps, 4" in gap.detail  # 84 of 2 084 rows: 4.0 %
    spans = leave_out(recording)
    assert len(spans) == 3
    for place, (start, stop) in zip(places, spans, strict=True):
        assert start / recording.rate_hz == pytest.approx(place - 0.14, abs=0.06)
        assert stop / recording.rate_hz == pytest.approx(place + 0.14, abs=0.06)


@pytest.mark.parametrize(
    ("lost_s", "count", "severity"), [(0.08, 100, "stop"), (0.5, 1, "warning"), (8.0, 1, "warning"), (0.05, 1, None), (0.0, 1, None)]
)
def test_gaps_are_measured_against_the_whole(tmp_path, lost_s, count, severity):
    """The reader keeps the longest stretch when the log pauses for long; a lone lost row is not worth a word."""
    assert found(log_with_gaps(tmp_path, lost_s, count)[0]).get("gap") == severity
