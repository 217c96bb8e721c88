"""The Wren-4 of the Lerchenfeld Rotor Bench in Amsel on the rig: sound, then hurt, each rotor bare; kept in an archive."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import soundfile

from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.capture.files import read_recording
from vibekit.craft import settings_for
from vibekit.craft_file import craft_text
from vibekit.kept import NewReading
from vibekit.place import find_place
from vibekit.rig import record
from vibekit.scene import HURT, POSITIONS, bench_craft, described, speed_rpm

LANDED = datetime(2026, 5, 9, 15, 30, tzinfo=UTC)
VISITS = (("sound", LANDED - timedelta(days=34), 2), ("landed", LANDED, 1))
SETUP = "contact pick-up on the arm"


def write_take(folder, name, rotor, *, hurt, number=0, test="bare", seconds=2.0):
    fault = HURT.get(rotor) if hurt else None
    take = 100 * hurt + 10 * rotor + number
    recording, _ = record(bench_craft(), rotor=rotor, test=test, fault=fault, take=take, duration_s=seconds)
    path = folder / f"{name}.wav"
    soundfile.write(path, recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
    return path


def make_bench(folder):
    """folder/archive holds readings of both visits; folder/landed-*.wav are the recordings of the second."""
    craft = described()
    new = []
    for name, taken_at, takes in VISITS:
        for rotor, position in enumerate(POSITIONS):
            for number in range(takes):
                path = write_take(folder, f"{name}-{position}-{number}", rotor, hurt=name == "landed", number=number)
                settings = replace(settings_for(craft, position, "bare"), sensor="contact", speed_rpm=float(speed_rpm()))
                new.append(NewReading(position, path, analyze(read_recording(path), settings), SETUP, None, taken_at))
    with Archive(find_place(folder / "archive")) as archive:
        archive.put_craft(craft_text(craft), craft)
        archive.put_readings(craft, new)
