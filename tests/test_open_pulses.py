"""Pulses of bearings of known damage, measured: Case Western Reserve University Bearing Data Center (grades after Smith & Randall, Mech.
Syst. Signal Process. 64-65 (2015) 100-131) and the MFPT Society's challenge data. Verdicts on the same records: test_open_bearings.py.
"""

from dataclasses import replace

import pytest
from scipy.signal import resample_poly

from tests.open_data import manifest, needs_open_data, path
from vibekit.analysis import analyze
from vibekit.bearing import Bearing
from vibekit.capture.files import read_recording
from vibekit.settings import Settings

pytestmark = needs_open_data
CWRU, MFPT = Bearing(9, 7.94, 39.04), Bearing(8, 5.969, 31.623)  # 0.235 in and 1.245 in
PARTS = {"outer race": "outer", "inner race": "inner", "ball": "ball", "cage": "cage"}
CLEAR = 3.0  # noise reaches it once in a thousand at most; balls that pass under load are felt a little in sound bearings too (1.6 here)


def scores(row, bearing, decimate=1):
    recording = read_recording(path(row["file"]), unit="g")
    if decimate > 1:
        samples = resample_poly(recording.samples, 1, decimate, axis=1)
        recording = replace(recording, samples=samples, rate_hz=recording.rate_hz / decimate)
    reading = analyze(recording, Settings(speed_rpm=float(row["rpm"]), bearings=(bearing,) if bearing else ()))
    return {q.name: q.value for q in reading.quantities if q.unit == "-log10 p"}


def leader(found):
    best = max(PARTS, key=lambda part: found[part])
    return PARTS[best] if found[best] >= CLEAR else "none"


def test_in_every_clear_record_the_part_that_is_hurt_leads():
    rows = [row for row in manifest("cwru") if row["grade"].startswith("Y")]
    got = [(row["file"], row["fault"], leader(scores(row, CWRU))) for row in rows]
    assert len(got) == 10
    assert all(fault == led for _, fault, led in got), got


def test_in_every_record_of_the_challenge_the_part_that_is_hurt_leads():
    got = [(row["file"], row["fault"], leader(scores(row, MFPT))) for row in manifest("mfpt")]
    assert len(got) == 4
    assert all(fault == led for _, fault, led in got), got


def test_nothing_leads_in_a_record_that_experts_cannot_diagnose():
    (row,) = [row for row in manifest("cwru") if row["grade"] == "N"]
    assert leader(scores(row, CWRU)) == "none"


@pytest.mark.parametrize("decimate", [1, 4], ids=["48 kHz", "12 kHz"])
@pytest.mark.parametrize("bearing", [CWRU, None], ids=["geometry known", "geometry not known"])
def test_nothing_leads_in_the_healthy_record(bearing, decimate):
    (row,) = [row for row in manifest("cwru") if row["fault"] == "none"]
    assert max(scores(row, bearing, decimate).values()) < CLEAR


def test_without_geometry_most_clear_records_show_a_comb_at_no_whole_order():
    rows = [row for row in manifest("cwru") if row["grade"].startswith("Y")]
    assert sum(scores(row, None)["defect comb"] >= CLEAR for row in rows) >= 7
