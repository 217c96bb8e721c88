import json
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vibekit.bearing import Bearing
from vibekit.bearing_size import SIZES, bearing_size
from vibekit.craft import Craft, Motor, MotorBearing, Propeller, Rotor, missing, settings_for
from vibekit.craft_file import craft_from, craft_text, load_craft
from vibekit.errors import UnreadableError, UsageError
from vibekit.settings import TESTS
from vibekit.turning import WAYS

WREN = """\
name = "Wren-4"
owner = "Lerchenfeld Rotor Bench"
turned = "bench-controller"

[motor]
poles = 14
slots = 12
bearings = ["MR63", { size = "623", balls = 7, ball_mm = 1.588, pitch_mm = 6.5 }]

[propeller]
blades = 2
mass_g = 4

[[rotor]]
position = "north-east"
hand = "counter-clockwise"
motor.serial = "A-101"

[[rotor]]
position = "south-east"
hand = "clockwise"
propeller = { blades = 3, folding = true }
"""


def test_a_description_by_hand_reads_as_meant(tmp_path):
    path = tmp_path / "wren.toml"
    path.write_text(WREN, encoding="utf-8")
    craft = load_craft(path)
    assert craft.positions == ("north-east", "south-east")
    assert craft.way is WAYS["bench-controller"]
    one, two = craft.rotors
    assert (one.hand, one.motor.serial, one.motor.poles, one.propeller.blades) == ("counter-clockwise", "A-101", 14, 2)
    assert (two.hand, two.motor.serial, two.motor.poles, two.propeller.blades) == ("clockwise", None, 14, 3)
    assert two.propeller == Propeller(blades=3, folding=True, mass_g=4.0)
    upper, lower = one.motor.bearings
    assert (upper.boundary.bore_mm, upper.boundary.outer_mm, upper.geometry) == (3, 6, None)
    assert lower.geometry == Bearing(7, 1.588, 6.5)


def test_everything_may_be_left_out(tmp_path):
    path = tmp_path / "bare.toml"
    path.write_text("", encoding="utf-8")
    craft = load_craft(path)
    assert craft == Craft(name="bare")
    assert any("no rotors" in text or "none described" in text for text in missing(craft))
    assert craft_from("[[rotor]]\n[[rotor]]\n", "x.toml").positions == ("rotor 1", "rotor 2")


def test_settings_hold_only_what_counts_in_the_test():
    craft = craft_from(WREN, "wren.toml")
    bare = settings_for(craft, "north-east", "bare")
    assert (bare.test, bare.blades, bare.poles, bare.slots, bare.bearings) == ("bare", None, 14, 12, (Bearing(7, 1.588, 6.5),))
    assert [settings_for(craft, "north-east", test).blades for test in TESTS] == [None, None, 2, 2, 2]
    with pytest.raises(UsageError, match="'north'; Wren-4 has north-east, south-east"):
        settings_for(craft, "north", "bare")


def test_behind_a_gear_the_motors_own_orders_count_only_bare():
    geared = Craft(rotors=(Rotor("left", motor=Motor(geared=True, poles=4, slots=6), propeller=Propeller(blades=2)),))
    assert settings_for(geared, "left", "prop").poles is None
    assert settings_for(geared, "left", "bare").poles == 4
    assert any("gear" in text for text in missing(geared))


def test_what_is_missing_is_said_once_for_all_rotors():
    texts = missing(craft_from(WREN, "wren.toml"))
    assert any(text.startswith("all rotors: screw_mm: not known, so ") for text in texts)
    assert any(text.startswith("all rotors: bearings: balls known of 1 of 2") for text in texts)
    assert any(text.startswith("north-east: ducted") for text in texts) is False  # all lack it, so they are named together
    full = Rotor(
        "a", "clockwise", None,
        Motor("m", "1", "brushless", False, 14, 12, 6, 7, (MotorBearing("683", 7, 1.0, 5.0), MotorBearing("683", 7, 1.0, 5.0))),
        Propeller("p", "1", 2, 152, 4, False, False, "right-hand"),
    )  # fmt: skip
    assert missing(Craft("c", "o", "j", "s", "by-hand", (full,))) == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nmae = 'x'", ["wren.toml", "'nmae'", "did you mean 'name'"]),
        ("[motor]\npols = 14\n[[rotor]]\nposition='a'", ["rotor 1 motor", "'pols'", "did you mean 'poles'"]),
        ("[propeller]\nbaldes = 2", ["wren.toml", "'baldes'", "did you mean 'blades'"]),
        ("[[rotor]]\nmotor.poles = 13", ["wren.toml: rotor 1 motor: poles is 13", "even number from 2 to 100"]),
        ("[[rotor]]\npropeller.blades = 0", ["blades is 0", "from 1 to 12"]),
        ("[[rotor]]\npropeller.blades = 2.5", ["blades is 2.5", "whole number"]),
        ("[[rotor]]\npropeller.blades = true", ["blades is yes", "whole number"]),
        ("[[rotor]]\npropeller.mass_g = nan", ["mass_g is nan", "0.05 to 5000"]),
        ("[[rotor]]\npropeller.folding = 'perhaps'", ["folding is 'perhaps'", "yes or no"]),
        ("[[rotor]]\nhand = 'left'", ["hand is 'left'", "'clockwise'"]),
        ("[[rotor]]\nposition = 4", ["position is 4", "north-east"]),
        ("[[rotor]]\nposition='a'\n[[rotor]]\nposition='a'", ["'a' is given twice"]),
        ("[[rotor]]\nposition='a'\ncoaxial_with='b'", ["coaxial_with of 'a' is 'b'"]),
        ("turned = 'catapult'", ["turned is 'catapult'", "'by-hand'"]),
        ("motor = 3", ["motor is 3", "table"]),
        ("rotor = 3", ["rotor is 3", "[[rotor]]"]),
        ("[[rotor]]\nmotor.bearings = ['6205']", ["rotor 1 motor bearing 1", "'6205'", "MR63", "3x7x3"]),
        ("[[rotor]]\nmotor.bearings = ['683','683','683']", ["3 entries", "two at most"]),
        ("[[rotor]]\nmotor.bearings = '683'", ["bearings is '683'", "list"]),
        ("[[rotor]]\nmotor.bearings = [{ balls = 7, ball_mm = 3, pitch_mm = 2 }]", ["3 mm on pitch 2 mm"]),
        ("[[rotor]]\nmotor.bearings = [{ size='683', balls = 7, ball_mm = 1, pitch_mm = 9 }]", ["pitch_mm is 9", "size '683'"]),
        ("name = ", ["wren.toml: no TOML"]),
    ],
)
def test_a_mistake_is_named_in_one_line(tmp_path, text, words):
    path = tmp_path / "wren.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises((UsageError, UnreadableError)) as caught:
        load_craft(path)
    message = str(caught.value)
    assert "\n" not in message
    for word in words:
        assert word in message
    assert message.count("wren.toml") == 1


def test_no_file_no_text_and_no_end_are_named(tmp_path):
    with pytest.raises(UnreadableError, match="no such file"):
        load_craft(tmp_path / "none.toml")
    binary = tmp_path / "photo.toml"
    binary.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(UnreadableError, match="no text"):
        load_craft(binary)
    binary.write_bytes(b" " * 1_000_001)
    with pytest.raises(UnreadableError, match="larger than"):
        load_craft(binary)
    with pytest.raises(UnreadableError, match="no TOML"):
        craft_from("a = " + "[" * 5000, "deep.toml")


words = st.text(max_size=12)
numbers = st.none() | st.floats(1, 60)
flags = st.none() | st.booleans()
bearings = st.builds(MotorBearing, st.none() | st.sampled_from([*SIZES, "683ZZ", "4x9x3"]), st.none() | st.integers(4, 40))
motors = st.builds(
    Motor, words | st.none(), words | st.none(), st.none() | st.just("brushed"), flags, st.none() | st.integers(1, 50).map(lambda n: 2 * n),
    st.none() | st.integers(2, 120), numbers, numbers, st.lists(bearings, max_size=2).map(tuple),
)  # fmt: skip
propellers = st.builds(
    Propeller, words | st.none(), words | st.none(), st.none() | st.integers(1, 12), st.none() | st.floats(10, 3000), numbers, flags
)
positions = st.lists(words.filter(str.strip), unique=True, max_size=4)
craft_words = st.tuples(words, words | st.none(), words | st.none(), st.none() | st.sampled_from(list(WAYS)))


@settings(deadline=None)
@given(craft_words, positions, st.lists(motors, min_size=4, max_size=4), st.lists(propellers, min_size=4, max_size=4))
def test_what_is_written_reads_back_the_same(said, at, motors, propellers):
    name, owner, job, turned = said
    rotors = tuple(Rotor(p, "clockwise", None, m, q) for p, m, q in zip(at, motors, propellers, strict=False))
    craft = Craft(name, owner, job, None, turned, rotors)
    text = craft_text(craft)
    assert craft_from(text, "x.toml") == craft
    json.dumps(tomllib.loads(text))  # plain TOML: no dates, nothing that only we would understand


def test_what_rotors_share_is_written_once():
    text = craft_text(craft_from(WREN, "wren.toml"))
    assert text.count("poles = 14") == 1
    assert text.count("mass_g") == 1


# Boundary dimensions, ISO 15 (bore, outer diameter, width): 683, 693, 623, 625, 608 as in makers' tables; the rest from memory
@pytest.mark.parametrize(
    ("name", "dimensions"),
    [("683", (3, 7, 2)), ("693", (3, 8, 3)), ("623", (3, 10, 4)), ("625", (5, 16, 5)), ("608", (8, 22, 7)), ("MR115", (5, 11, 4)),
     ("683ZZ", (3, 7, 2)), ("mr63-2RS", (3, 6, 2)), ("3x7x3", (3, 7, 3)), ("4 x 9 x 2.5 mm", (4, 9, 2.5))],
)  # fmt: skip
def test_bearing_sizes(name, dimensions):
    size = bearing_size(name)
    assert (size.bore_mm, size.outer_mm, size.width_mm) == dimensions


def test_every_way_of_turning_has_cautions_plan_and_limits():
    for way in WAYS.values():
        assert way.cautions
        assert way.plan
        assert way.limits
        assert "battery out" in " ".join(way.cautions).lower()
    assert [step.test for step in WAYS["by-hand"].plan] == ["hand-spin"]
    assert "by itself" in " ".join(WAYS["all-idling"].cautions)
