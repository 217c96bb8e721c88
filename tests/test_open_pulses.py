"""Pulses of bearings of known damage, measured: Case Western Reserve University Bearing Data Center (grades after Smith & Randall, Mech.
Syst. Signal Process. 64-65 (2015) 100-131) and the MFPT Society's challenge data. Verdicts on the same records: test_open_bearings.py.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import resample_poly

from tests.open_data import manifest, needs_open_data, path
from vibekit.analysis import analyze
from vibekit.bearing import Bearing
from vibekit.capture.files import read_recording
from vibekit.pulses import find_pulses
from vibekit.settings import Settings
from vibekit.transform import Transform

pytestmark = needs_open_data
CWRU, MFPT = Bearing(9, 7.94, 39.04), Bearing(8, 5.969, 31.623)  # 0.235 in and 1.245 in
PARTS = {"outer race": "outer", "inner race": "inner", "ball": "ball", "cage": "cage"}
CLEAR = 3.0  # noise reaches it once in a thousand at most; balls that pass under load are felt a little in sound bearings too (1.6 here)


FAN_END = Bearing(8, 6.746, 28.5)  # 0.2656 in and 1.122 in: the other bearing of the CWRU motor


def scores(row, *bearings, decimate=1):
    recording = read_recording(path(row["file"]), unit="g")
    if decimate > 1:
        samples = resample_poly(recording.samples, 1, decimate, axis=1)
        recording = replace(recording, samples=samples, rate_hz=recording.rate_hz / decimate)
    reading = analyze(recording, Settings(speed_rpm=float(row["rpm"]), bearings=bearings))
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
    assert max(scores(row, *([bearing] if bearing else []), decimate=decimate).values()) < CLEAR


def test_without_geometry_most_clear_records_show_a_comb_at_no_whole_order():
    rows = [row for row in manifest("cwru") if row["grade"].startswith("Y")]
    assert sum(scores(row)["defect comb"] >= CLEAR for row in rows) >= 7


@pytest.mark.parametrize("seconds", [3, 5])
def test_parts_of_a_record_lead_to_the_part_that_is_hurt_or_to_none(seconds):
    # at the speed of the list, which is known to two in a thousand
    got = []
    for row in manifest("cwru"):
        recording, hz = read_recording(path(row["file"]), unit="g"), float(row["rpm"]) / 60
        n = int(seconds * recording.rate_hz)
        for start in range(0, recording.samples.shape[1] - n + 1, n) if row["grade"] else ():
            x = Transform.of(recording.samples[0, start : start + n].copy(), recording.rate_hz)
            turns = np.array([0.0, seconds]), hz * np.array([0.0, seconds])
            found = find_pulses(x, turns, (CWRU,), top_hz=0.45 * recording.rate_hz, speed_u95=2e-3, leave_out_s=())
            led = leader({name: comb.score for name, comb in found.bearing.combs})
            got.append((row["grade"][0], row["fault"], led, row["file"], start))
    clear = [row for row in got if row[0] == "Y"]
    assert [row for row in clear if row[2] not in (row[1], "none")] == []
    assert sum(fault == led for _, fault, led, *_ in clear) >= 0.9 * len(clear)
    assert [row for row in got if row[2] not in (row[1], "none", "cage")] == []  # of a bad ball the cage may show alone


def test_a_second_bearing_in_the_machine_changes_nothing():
    for row in manifest("cwru"):
        if row["grade"].startswith("Y"):
            assert leader(scores(row, CWRU, FAN_END)) == row["fault"], row["file"]


def test_sound_of_a_small_motor_shows_a_comb_only_where_its_bearing_is_damaged():
    # one machine with its bearings new, with weights on its rotor, with minor and severe damage; one file has a click in its middle
    score: dict[str, list[float]] = {}
    for row in manifest("motors"):
        if row["file"].endswith(".wav"):
            reading = analyze(read_recording(path(row["file"])), Settings())
            comb = reading.quantity("defect comb")
            score.setdefault(row["fault"], []).append(comb.value if comb else 0.0)
    hurt = [fault for fault in score if fault.endswith("Bearing_Damage")]
    assert all(max(values) < CLEAR for fault, values in score.items() if fault not in hurt), score
    assert min(score["Severe_Bearing_Damage"]) > CLEAR
    assert sum(value > CLEAR for value in score["Minor_Bearing_Damage"]) >= 3
