"""The shop's own archive as a reference: statistics against drawn populations, and the whole way on the command line."""

import hashlib
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from tests.lives import draw_readings
from vibekit.archive import Archive
from vibekit.cli import main
from vibekit.craft import Craft, Motor, Propeller, Rotor
from vibekit.craft_file import craft_text
from vibekit.kept import NewReading
from vibekit.place import find_place
from vibekit.repeatability import Spread
from vibekit.rig import draw_craft
from vibekit.shop import FEWEST, Shop, _standing

POSITIONS = ("north-east", "south-east", "south-west", "north-west")
SETUP = "contact pick-up, arm clamp, gain 4"
NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
MOTOR, PROPELLER = "Wren 2207", "Lerchenfeld 5x4"


def described(name, motor=MOTOR, propeller=PROPELLER, serial=None):
    rotors = (Rotor(position, motor=Motor(name=motor), propeller=Propeller(name=propeller)) for position in POSITIONS)
    return Craft(name=name, serial=serial, rotors=tuple(rotors))


def sibling(seed, number):
    """Another craft of one model: its modes 3 % elsewhere and otherwise damped, its motors and propellers unbalanced otherwise."""
    model, rng = draw_craft(seed), np.random.default_rng([seed, number])

    def turned(vector):
        return vector * rng.lognormal(0, 0.3) * np.exp(2j * np.pi * rng.random())

    def shifted(mode):
        return replace(mode, frequency_hz=mode.frequency_hz * rng.normal(1, 0.03), damping=mode.damping * rng.lognormal(0, 0.2))

    motors = tuple(
        replace(
            motor,
            bell_gmm=turned(motor.bell_gmm),
            prop_gmm=turned(motor.prop_gmm),
            modes=tuple(shifted(mode) for mode in motor.modes),
            bearing_noise=motor.bearing_noise * rng.lognormal(0, 0.1),
        )
        for motor in model.motors
    )
    return replace(model, seed=1000 * seed + number, motors=motors)


def measured(craft, condition="healthy", severity=0.0, test="prop", takes=1):
    """Readings of the four motors, all of them in one state."""
    rng = np.random.default_rng(craft.seed)
    return [draw_readings(craft, rotor, test, "contact", condition, np.full(takes, severity), rng) for rotor in range(4)]


def keep(archive, folder, craft, each, when=NOON, setup=SETUP):
    archive.put_craft(craft_text(craft), craft)
    for position, readings in zip(POSITIONS, each, strict=True):
        for k, reading in enumerate(readings):
            file = folder / f"{craft.name}-{position}-{when:%Y%m%d}-{k}.wav"
            file.write_bytes(f"{file.name}{reading.sha256}".encode() * 10)
            kept = replace(reading, sha256=hashlib.sha256(file.read_bytes()).hexdigest())
            archive.put_readings(craft, [NewReading(position, file, kept, setup, None, when)])


@pytest.fixture
def place(tmp_path, monkeypatch):
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    return find_place()


def fill(archive, folder, others, seed=8):
    for number in range(1, others + 1):
        keep(archive, folder, described(f"Heron-{number}"), measured(sibling(seed, number)), NOON - timedelta(days=number))


@pytest.mark.parametrize(("count", "between"), [(5, 0.5), (5, 5.0), (20, 2.0)])
def test_the_interval_against_other_craft_covers_a_healthy_motor_and_few_are_called_unlike(count, between):
    rng = np.random.default_rng([count, round(10 * between)])
    inside, called = 0, 0
    for _ in range(800):
        centre = between * rng.standard_normal(count + 1)
        apart = [-(c + rng.standard_normal(4)) for c in centre[1:]]
        found = _standing("roughness", [(centre[0] + rng.standard_normal() + each).tolist() for each in apart], Spread(0.5, 3.0, 1.0))
        inside += abs(found.delta) <= found.u95
        called += found.z > 3
    assert inside / 800 >= 0.93
    assert called / 800 <= 0.01


def test_a_third_of_the_craft_with_a_fault_move_the_middle_little():
    rng = np.random.default_rng(4)
    apart = [(rng.standard_normal(4) - 15 * (craft % 3 == 0)).tolist() for craft in range(12)]  # this motor against them
    found = _standing("roughness", apart, Spread(0.5, 3.0, 1.0))
    assert abs(found.delta) < 2.5
    assert found.references == 12


def test_only_the_same_model_in_the_same_way_on_other_craft_counts(place, tmp_path):
    with Archive(place) as archive:
        own = described("Wren-4", serial="L-204")
        keep(archive, tmp_path, own, measured(sibling(8, 0)))
        fill(archive, tmp_path, FEWEST - 1)
        keep(archive, tmp_path, described("Wren-4 before its repaint", serial="L-204"), measured(sibling(8, 30)))
        keep(archive, tmp_path, described("Other motor", motor="Wren 2306"), measured(sibling(8, 31)))
        keep(archive, tmp_path, described("Other propeller", propeller="Lerchenfeld 5x3"), measured(sibling(8, 32)))
        keep(archive, tmp_path, described("Other place"), measured(sibling(8, 33)), setup="phone on the table")
        newest = archive.readings("Wren-4", "north-east")[-1]
        shelf = Shop(archive, own).shelf("north-east", newest)
        assert len(shelf.readings) == FEWEST - 1
        assert shelf.refusal == f"{FEWEST - 1} other craft of this model measured in this way; {FEWEST} are needed"
        assert shelf.changes == ()
        keep(archive, tmp_path, described("Heron-9", motor=MOTOR.upper()), measured(sibling(8, 9)))
        shelf = Shop(archive, own).shelf("north-east", newest)
        assert (shelf.refusal, len(shelf.readings), len(shelf.references)) == ("", FEWEST, 4 * FEWEST)
        assert {c.references for c in shelf.changes} == {FEWEST}
        assert max(abs(c.z) for c in shelf.changes) < 3
        nameless = replace(own, rotors=tuple(replace(r, motor=Motor()) for r in own.rotors))
        assert "does not name its motor" in Shop(archive, nameless).shelf("north-east", newest).refusal
        assert "set-up was not stated" in Shop(archive, own).shelf("north-east", replace(newest, setup="")).refusal


def compared(capsys, name):
    status = main(["compare", name, "--json"])
    assert status == 0
    return json.loads(capsys.readouterr().out)


def test_four_motors_that_are_bad_alike_are_not_called_healthy_for_agreeing(place, tmp_path, capsys):
    with Archive(place) as archive:
        keep(archive, tmp_path, described("Wren-4"), measured(sibling(8, 0), "bearing-grit", 8.0, "bare", takes=2))
    said = compared(capsys, "Wren-4")
    assert said["conclusion"]["condition"] == "undecided"
    assert all(motor["conclusion"]["condition"] != "healthy" for motor in said["motors"])
    assert "cannot be seen by comparing them" in said["conclusion"]["reason"]
    main(["compare", "Wren-4"])
    assert "What all motors share cannot be seen" in " ".join(capsys.readouterr().out.split())


def test_the_shop_shows_what_four_bad_motors_share_and_clears_four_good_ones(place, tmp_path, capsys):
    with Archive(place) as archive:
        fill(archive, tmp_path, FEWEST + 1)
        keep(archive, tmp_path, described("Wren-4"), measured(sibling(8, 0), "loose-mount", 20.0, takes=2))
        keep(archive, tmp_path, described("Wren-5"), measured(sibling(8, 20), takes=2))
    bad = compared(capsys, "Wren-4")
    assert bad["conclusion"]["condition"] in ("loose-mount", "loose-propeller")
    assert sum(motor["conclusion"]["condition"] in ("loose-mount", "loose-propeller", "undecided") for motor in bad["motors"]) == 4
    texts = [e["text"] for m in bad["motors"] for f in m["findings"] for e in f["evidence"]]
    assert any("the same model on other craft" in text for text in texts)
    good = compared(capsys, "Wren-5")
    assert {motor["conclusion"]["condition"] for motor in good["motors"]} <= {"healthy", "undecided"}


def test_its_own_past_shows_what_four_bad_motors_share(place, tmp_path, capsys):
    with Archive(place) as archive:
        for k in range(4):
            keep(archive, tmp_path, described("Wren-4"), measured(replace(sibling(8, 0), seed=50 + k)), NOON - timedelta(days=40 - 7 * k))
        keep(archive, tmp_path, described("Wren-4"), measured(sibling(8, 0), "loose-mount", 20.0, takes=2))
    assert compared(capsys, "Wren-4")["conclusion"]["condition"] in ("loose-mount", "loose-propeller")
