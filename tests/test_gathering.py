from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image

from tests.wren4 import POSITIONS, diagnoses, readings
from vibekit.archive import Archive
from vibekit.craft import Craft, Motor, MotorBearing, Propeller, Rotor
from vibekit.craft_file import craft_text
from vibekit.errors import UsageError
from vibekit.filestore import hash_of
from vibekit.gathering import contents_from_archive, contents_from_files
from vibekit.inspection import GivenAnswer, Inspection, Photo
from vibekit.kept import NewReading, PartAction
from vibekit.place import find_place
from vibekit.report import render

DAY = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)
MOTOR = Motor(name="Lark 2306", poles=14, slots=12, bearings=(MotorBearing("3x8x3", 7, 1.2, 5.0), MotorBearing("3x8x3")))
PROPELLER = Propeller(name="Falke 5 x 3", blades=2, diameter_mm=127, mass_g=4.1, folding=False, ducted=True)
CRAFT = Craft(
    name="Wren-4",
    owner="J. Amsler",
    job="2026-118",
    turned="bench-controller",
    rotors=tuple(Rotor(position, motor=MOTOR, propeller=PROPELLER) for position in POSITIONS),
)


@pytest.fixture
def archive(tmp_path):
    with Archive(find_place(tmp_path / "archive")) as opened:
        opened.put_craft(craft_text(CRAFT), CRAFT)
        yield opened


def keep(archive, folder, found, when, name):
    """Keep a reading of each motor; its recording is a file of its own."""
    new = []
    for position, reading in found.items():
        file = folder / f"{name}-{position}.wav"
        file.write_bytes(f"{name} {position}".encode())
        reading = replace(reading, sha256=hash_of(file))
        new.append(NewReading(position, file, reading, setup="accelerometer on the arm, wax", taken_at=when))
    archive.put_readings(CRAFT, new)


def test_a_craft_is_gathered_from_the_archive(archive, tmp_path):
    keep(archive, tmp_path, readings("prop"), DAY, "prop")
    contents = contents_from_archive(archive, "Wren-4")
    assert contents.title == "Wren-4"
    assert [motor.position for motor in contents.motors] == list(POSITIONS)
    assert [motor.diagnosis is not None for motor in contents.motors] == [True] * 4
    facts = {note.label: note.text for note in contents.about}
    assert facts["owner"] == "J. Amsler"
    assert facts["measured with"] == "accelerometer on the arm, wax"
    assert "current-limited supply" in facts["turned"]
    fitted = {note.label: note.text for note in contents.motors[0].about}
    assert fitted["motor"] == "Lark 2306, poles 14, slots 12"
    assert fitted["bearings"] == "3x8x3, balls 7, ball 1.2 mm, pitch 5 mm; 3x8x3"
    assert fitted["propeller"] == "Falke 5 x 3, blades 2, diameter 127 mm, mass 4.1 g, ducted"
    assert contents.not_tested[:4] == ("spun by hand", "run bare, without propeller", "run up with its propeller", "flight")
    assert any("current limit" in caution for caution in contents.cautions)
    assert "Wren-4" in render(contents)


def test_what_was_seen_and_done_stands_in_the_report(archive, tmp_path):
    Image.new("RGB", (64, 48), "white").save(tmp_path / "nick.jpg")
    keep(archive, tmp_path, readings("prop"), DAY, "prop")
    archive.put_action(PartAction("Wren-4", "south-east", "propeller", "refitted", "the same one", "was tight", DAY - timedelta(days=3)))
    photo = Photo(str(tmp_path / "nick.jpg"), hash_of(tmp_path / "nick.jpg"))
    answers = (
        GivenAnswer("south-east", "prop-tight", "slips", "two turns", (photo,)),
        GivenAnswer("north-west", "prop-tight", "tight"),
    )
    archive.put_inspection(Inspection("Wren-4", DAY, answers))
    motors = {motor.position: motor for motor in contents_from_archive(archive, "Wren-4").motors}
    assert [(note.label, note.text) for note in motors["south-east"].parts] == [
        ("2026-11-22", "propeller refitted: the same one. was tight")
    ]
    assert motors["south-east"].inspection[0].text == "Propeller slips on its shaft. two turns"
    assert len(motors["south-east"].photos) == 1
    assert motors["north-west"].photos == ()
    assert any("slips" in item.text for finding in motors["south-east"].diagnosis.findings for item in finding.evidence)


def test_a_motor_never_measured_is_in_the_report(archive, tmp_path):
    keep(archive, tmp_path, {"north-east": readings()["north-east"]}, DAY, "prop")
    contents = contents_from_archive(archive, "Wren-4")
    assert [len(motor.readings) for motor in contents.motors] == [1, 0, 0, 0]
    assert contents.motors[1].diagnosis is None


def test_a_craft_that_is_not_kept_is_named(archive):
    with pytest.raises(UsageError, match="'Kite-6'"):
        contents_from_archive(archive, "Kite-6")


def test_recordings_without_an_archive_make_a_report():
    d, r = diagnoses(), readings()
    past = (replace(r["north-west"], file="before.wav"),)
    contents = contents_from_files("Wren-4", [(p, [r[p]], d[p]) for p in POSITIONS], past)
    assert [motor.baselines for motor in contents.motors] == [past] * 4
    assert contents.left_open == ()
    assert any("guard" in caution for caution in contents.cautions)
