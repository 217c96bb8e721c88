"""What a visit said stays with its readings: a motor that was hurt is no sound past of the one that was mended."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.wren4 import POSITIONS, WELL, reading, readings
from vibekit.archive import Archive
from vibekit.casefile import open_case
from vibekit.craft import Craft, Rotor
from vibekit.craft_file import craft_text
from vibekit.effect import changes_between
from vibekit.filestore import hash_of
from vibekit.gain import least_gain
from vibekit.kept import NewReading, PartAction
from vibekit.place import find_place
from vibekit.proof import moved_words, summary_words, verdict_words
from vibekit.proof_gathering import proof_from_archive
from vibekit.verdict_keeping import add_action, add_readings

LANDED = datetime(2026, 5, 9, 15, 30, tzinfo=UTC)
CRAFT = Craft(name="Wren-4", rotors=tuple(Rotor(position) for position in POSITIONS))
LOOSE = ("loose-mount", "loose-propeller")
MENDED = LANDED + timedelta(days=2)


@pytest.fixture
def archive(tmp_path):
    with Archive(find_place(tmp_path / "archive")) as opened:
        opened.put_craft(craft_text(CRAFT), CRAFT)
        yield opened


def keep(archive, folder, found, when):
    for position, each in found.items():
        file = folder / f"{position}-{when:%d%H}.wav"
        file.write_bytes(f"{position} {when}".encode())
        add_readings(archive, CRAFT, [NewReading(position, file, replace(each, sha256=hash_of(file)), taken_at=when)])


def kept(archive, position):
    return {k.when: k.diagnosis for k in archive.readings("Wren-4", position)}


def test_what_was_said_is_kept_when_it_is_worked_on(archive, tmp_path):
    keep(archive, tmp_path, readings(), LANDED)
    said = {p: d.conclusion for p, d in open_case(archive, "Wren-4").judge().items()}
    assert said["south-west"].condition in LOOSE  # half orders and harmonics far over the others'
    assert not any(any(kept(archive, p).values()) for p in POSITIONS)
    add_action(archive, PartAction("Wren-4", "south-west", "screws", "tightened", "", "", LANDED + timedelta(days=1)))
    assert {p: kept(archive, p)[LANDED].conclusion for p in POSITIONS} == said
    keep(archive, tmp_path, {p: reading(p, WELL, seed=n) for n, p in enumerate(POSITIONS, 5)}, MENDED)
    motors = {m.position: m for m in open_case(archive, "Wren-4").motors}
    assert motors["south-west"].past == ()
    assert all((k.when, k.sound) == (LANDED, True) for m in motors.values() for k in m.past)
    assert said["south-west"] == kept(archive, "south-west")[LANDED].conclusion  # later sittings do not touch it


def test_what_was_said_is_kept_when_the_next_visit_begins(archive, tmp_path):
    keep(archive, tmp_path, readings(), LANDED)
    keep(archive, tmp_path, {"north-west": reading("north-west", WELL, seed=9)}, LANDED + timedelta(hours=2))  # of the same visit
    assert not any(any(kept(archive, p).values()) for p in POSITIONS)
    keep(archive, tmp_path, {"north-west": reading("north-west", WELL, seed=8)}, MENDED)
    assert kept(archive, "south-west")[LANDED].conclusion.condition in LOOSE
    assert kept(archive, "north-west")[MENDED] is None


def test_the_proof_says_what_was_found_and_what_changed(archive, tmp_path):
    hurt, well = readings(), {p: reading(p, WELL, seed=n) for n, p in enumerate(POSITIONS, 5)}
    keep(archive, tmp_path, hurt, LANDED)
    add_action(archive, PartAction("Wren-4", "south-west", "screws", "tightened", "", "", LANDED + timedelta(days=1)))
    keep(archive, tmp_path, well, MENDED)
    (motor,) = (m for m in proof_from_archive(archive, "Wren-4", "2026-05-09", "2026-05-11").motors if m.position == "south-west")
    assert "motor mount loose" in verdict_words(motor).partition("After: ")[0]
    assert "half orders −" in moved_words(motor)  # from 11 mg to a quarter: 33 dB
    assert "1x" in summary_words(motor)
    same = replace(motor, pairs=tuple(replace(p, after=p.before) for p in motor.pairs))
    assert moved_words(same) == "Nothing changed beyond what running again does by itself."


def test_a_fall_is_the_same_rise_seen_from_the_other_side():
    hurt, well = readings()["south-west"], reading("south-west", WELL, seed=6)
    fell, rose = ({c.name: c for c in changes_between(*sides, "prop")} for sides in (([hurt], [well]), ([well], [hurt])))
    assert fell["half orders"].delta < -20  # a line of 11 mg that falls by 33 dB into noise of 0.2 mg
    assert fell["half orders"].z < -3
    for name in ("half orders", "harmonics", "roughness"):
        assert (fell[name].delta, fell[name].z) == pytest.approx((-rose[name].delta, -rose[name].z))


def test_noise_that_went_moves_no_line():
    """Grit that is cleaned out: the noise falls by 13 dB, the lines are what they were."""
    gritty, clean = (reading("north-east", WELL, noise=noise, seed=5) for noise in (9e-4, 2e-4))
    found = {c.name: c for c in changes_between([gritty], [clean], "prop")}
    assert found["roughness"].delta == pytest.approx(20 * np.log10(2e-4 / 9e-4), abs=0.1)
    assert all(abs(found[name].delta) < 0.5 for name in ("1x", "2x", "harmonics"))
    louder = replace(clean, powers=tuple(replace(p, power=4 * p.power, noise=4 * p.noise, error=4 * p.error) for p in clean.powers),
                     quantities=tuple(replace(q, value=q.value + 6.02) if q.unit == "dB" else q for q in clean.quantities))  # fmt: skip
    assert least_gain(louder, clean) == pytest.approx(6.02, abs=0.01)
    found = {c.name: c for c in changes_between([clean], [louder], "prop")}
    assert all(abs(found[name].delta) < 0.1 for name in ("1x", "2x", "harmonics", "half orders", "roughness"))
