"""Motors of a craft spun by hand, side by side: what is found over the rig's population, in words, JSON, command and report."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from vibekit.analysis import analyze
from vibekit.cli import main
from vibekit.coastdown import coast_time
from vibekit.commands.spins import show_spins, spins_side_by_side
from vibekit.craft_verdict import craft_verdict
from vibekit.drawings import coast_downs, groups_of
from vibekit.judging import judge_craft
from vibekit.rig.craft import ROTORS, bell_inertia
from vibekit.rig.hand_spin import FLICK_SCATTER
from vibekit.rig.population import draw_craft
from vibekit.rig.record import record
from vibekit.spin_comparison import ALARM, compare_flicks, compare_spins, conclusion_words, spins_json
from vibekit.spin_evidence import spin_hints

CRAFT = 500
NAMES = ("north-east", "south-east", "south-west", "north-west")
HEARD = 0.015  # scatter of one measured coast time about its true one, found over 174 flicks by contact pick-up


def flicks_of(seed, *, drag=1.0, count=3):
    """Coast times of `count` flicks of each motor of a craft of the rig, the third motor with `drag` times its own drag."""
    craft = draw_craft(seed)
    rng = np.random.default_rng([seed, 7])
    inertia = bell_inertia(craft.bell_g, craft.diameter_m)
    found = {}
    for number, name in enumerate(NAMES):
        motor, much = craft.motors[number], drag if number == 2 else 1.0
        scatter = much * rng.lognormal(0, FLICK_SCATTER, count)
        dry, viscous = motor.dry_torque / (2 * math.pi * inertia), motor.viscous_torque / inertia
        true = [coast_time([dry * share, viscous * share, 0], 500 / 60, 2.5) for share in scatter]
        found[name] = np.array(true) * rng.lognormal(0, HEARD, count)
    return found


def named(comparisons):
    return [[motor.position for motor in comparison.dragging] for comparison in comparisons]


def test_a_motor_with_half_as_much_drag_again_is_found_and_good_ones_are_left_alone():
    dragging = named(compare_flicks(flicks_of(seed, drag=1.5)) for seed in range(CRAFT))
    good = named(compare_flicks(flicks_of(seed)) for seed in range(CRAFT))
    assert sum(found == ["south-west"] for found in dragging) >= 0.95 * CRAFT
    assert sum(map(bool, good)) <= 4


def test_the_ratio_is_the_drag_and_its_interval_holds_it():
    seen = [next(m for m in compare_flicks(flicks_of(seed, drag=1.5)).motors if m.position == "south-west") for seed in range(200)]
    assert np.median([m.ratio for m in seen]) == pytest.approx(1.5, rel=0.02)
    assert np.mean([m.ratio_low < 1.5 < m.ratio_high for m in seen]) > 0.93


def test_a_second_bad_motor_does_not_hide_the_first():
    flicks = flicks_of(3, drag=1.9)
    flicks["north-east"] = flicks["north-east"] / 1.9
    assert {m.position for m in compare_flicks(flicks).dragging} & {"south-west", "north-east"}


def test_one_flick_each_finds_less():
    one = sum(bool(found) for found in named(compare_flicks(flicks_of(seed, drag=1.35, count=1)) for seed in range(100)))
    three = sum(bool(found) for found in named(compare_flicks(flicks_of(seed, drag=1.35)) for seed in range(100)))
    assert one < three


def test_flicks_that_repeat_badly_are_learned_from():
    rng = np.random.default_rng(0)
    wild = {name: np.exp(rng.normal(0, 0.3, 3)) for name in NAMES}
    assert compare_flicks(wild).repeat > 0.15
    assert not compare_flicks(wild).dragging


def test_two_motors_are_told_apart_only_when_far_apart():
    near, far = ({"left": [1.0, 1.02, 0.98], "right": [r, 1.02 * r, 0.98 * r]} for r in (0.85, 0.4))
    assert not compare_flicks(near).dragging
    assert [m.position for m in compare_flicks(far).dragging] == ["right"]


def test_it_is_said_in_words_and_numbers():
    comparison = compare_flicks(flicks_of(5, drag=2.0))
    assert conclusion_words(comparison).startswith("south-west drags: ")
    assert "explain" in conclusion_words(compare_flicks(flicks_of(5)))
    found = json.loads(json.dumps(spins_json(comparison)))
    assert found["dragging"] == ["south-west"]
    assert found["false_alarms_per_craft"] == ALARM
    assert [motor["position"] for motor in found["motors"]] == list(NAMES)


@pytest.fixture(scope="module")
def spun():
    """An invented craft whose south-west motor has 1.5 times its drag: its readings by microphone, and two of the recordings."""
    good = next(c for c in map(draw_craft, range(5, 40)) if c.poles == 14)
    bad = replace(good.motors[2], dry_torque=1.5 * good.motors[2].dry_torque, viscous_torque=1.5 * good.motors[2].viscous_torque)
    hurt = replace(good, motors=(*good.motors[:2], bad, good.motors[3]))
    recordings = [record(hurt, rotor=k, test="hand-spin", sensor="microphone", flicks=3)[0] for k in range(ROTORS)]
    readings = {name: (analyze(r, hurt.settings("hand-spin", "microphone")),) for name, r in zip(NAMES, recordings, strict=True)}
    return readings, recordings[1:3]


def test_the_dragging_motor_is_named_through_the_whole_chain(spun):
    readings, _ = spun
    comparison = compare_spins(readings)
    assert [m.position for m in comparison.dragging] == ["south-west"]
    assert compare_spins({"south-west": readings["south-west"]}) is None
    mute = readings | {"north-west": tuple(replace(reading, curves=()) for reading in readings["north-west"])}
    assert compare_spins(mute).silent == ("north-west",)
    assert "Not compared, for want of a coast time: north-west." in conclusion_words(compare_spins(mute))
    assert spins_side_by_side(readings)["hand_spin"]["dragging"] == ["south-west"]


def test_a_dragging_motor_is_no_motor_on_which_nothing_stands_out(spun):
    readings, _ = spun
    judged = judge_craft([r for (r,) in readings.values()], NAMES)
    ends = {name: d.conclusion for name, (_, d) in zip(NAMES, judged.each, strict=True)}
    assert "bearing rough or gritty" in ends["south-west"].reason
    assert all(ends[name].reason.startswith("Nothing stands out") for name in NAMES if name != "south-west")
    told = craft_verdict({name: d for name, (_, d) in zip(NAMES, judged.each, strict=True)}, readings)
    assert {suspect.position for suspect in (*told.acts, *told.also)} == {"south-west"}
    (hint,) = spin_hints(readings).values()
    assert set(hint.odds) == {"rub", "bearing-grit", "electrical"}  # what brakes a rotor at every speed alike


def test_the_motors_stand_side_by_side_in_words_and_in_a_picture(spun, capsys):
    readings, _ = spun
    show_spins(readings)
    told = capsys.readouterr().out
    assert "from 500 to 150 rpm" in told
    assert "south-west drags: " in told
    (group,) = groups_of([(name, read, ()) for name, read in readings.items()])
    drawing = coast_downs(group)
    assert "south-west drags: " in drawing.caption
    for words in (*NAMES, "time since 500 rpm", "speed, rpm"):
        assert words in drawing.svg


def test_the_picture_says_what_the_comparison_says(spun):
    """One flick a recording, or a last one that told nothing: every flick counts in both."""
    readings, _ = spun
    read = {
        name: [one, replace(one, quantities=(), curves=one.curves[:1])] if name == "north-east" else [one, one]
        for name, (one,) in readings.items()
    }
    (group,) = groups_of([(name, each, ()) for name, each in read.items()])
    assert [name for name, _ in group.coasting] == list(NAMES)
    assert conclusion_words(compare_spins(read)) in coast_downs(group).caption


def test_analyze_prints_the_comparison(spun, tmp_path, capsys):
    _, recordings = spun
    files = [str(tmp_path / f"{name}.wav") for name in NAMES[1:3]]
    for file, recording in zip(files, recordings, strict=True):
        soundfile.write(file, recording.samples[0], int(recording.rate_hz), subtype="PCM_16")
    assert main(["analyze", *files, "--test", "hand-spin", "--sensor", "microphone", "--poles", "14", "--slots", "12"]) == 0
    told = capsys.readouterr().out
    assert "Spun by hand, side by side" in told
    assert "drag" in told.split("south-west", 1)[1].splitlines()[0]
