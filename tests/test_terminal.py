import io
import math
from dataclasses import replace

import pytest
from rich.console import Console

from tests.wren4 import POSITIONS, diagnoses, readings
from vibekit import marks
from vibekit.craft_verdict import craft_verdict
from vibekit.problem import Problem, Screening
from vibekit.terminal import closing, craft_lines, describe, strip


def printed(lines, **options):
    out = io.StringIO()
    console = Console(file=out, width=40, highlight=False, **options)
    for line in lines:
        console.print(line, soft_wrap=True)
    return out.getvalue()


def said(position, **changes):
    return describe([replace(readings()[position], **changes)], diagnoses()[position])


@pytest.mark.parametrize("position", POSITIONS)
@pytest.mark.parametrize("width", [60, 80, 100])
def test_lines_fit_and_end_without_blanks(position, width):
    for line in describe([readings()[position]], diagnoses()[position], width=width):
        assert len(line.plain) <= width
        assert line.plain == line.plain.rstrip()


def test_the_verdict_comes_first_then_what_to_do_then_why():
    lines = [line.plain for line in said("north-east")]
    assert lines[0] == "● north-east: act"
    assert lines[1].startswith("  Bearing rough or gritty: very likely (93")
    assert lines[2].startswith("  Clean the motor and its bearings")
    order = [lines.index(heading) for heading in ("For and against: bearing rough or gritty", "Not ruled out", "Next", "Caution")]
    assert order == sorted(order)


def test_evidence_is_told_with_its_side_and_weight():
    text = " ".join(printed(said("north-east")).split())
    assert "for broadband level at 8 kHz stands 13 dB above the middle of the other motors (25 times likelier than otherwise)" in text
    assert "against the hand-spin was not recorded" in text
    assert "bearing damaged (outer race): very unlikely (5" in text


def test_numbers_stand_with_interval_and_unit():
    text = printed(said("south-east"))
    assert "1x              0.0576 ± 0.0024 g" in text
    assert "in the noise: half order" in text
    assert "outer race      score 1.3 (p ≤ 0.05)" in text
    assert "tacho, from 8170 to 8240 rpm" in " ".join(text.split())


def test_no_fault_found_is_no_permission():
    text = " ".join(printed([*said("north-west"), *closing()]).split())
    assert "○ north-west: no fault found No fault found by these tests; not tested: spun by hand, run bare, without propeller" in text
    assert "Nothing here is a permission to fly." in text


def test_screening_is_told():
    assert "note: A mains line at 50 Hz is present." in printed(said("north-east"))
    stopped = said(
        "north-west", screening=Screening((Problem("too-short", "stop", "Too short. Record longer."),)), orders=(), quantities=()
    )
    assert "stop: Too short. Record longer." in printed(stopped)
    assert "run with its propeller" in printed(stopped[:3])  # a recording that cannot be judged does not count as a test


def test_a_plain_output_has_no_escapes_and_a_terminal_has():
    assert "\x1b" not in printed(said("north-east"))
    assert "\x1b" in printed(said("north-east"), force_terminal=True, color_system="standard")


def test_marks_become_letters_where_they_cannot_be_written():
    assert describe([], diagnoses()["north-east"], encoding="ascii")[0].plain == "(#) north-east: act"
    ends = [(position, diagnosis.conclusion) for position, diagnosis in diagnoses().items()]
    for line, state in zip(strip(ends, encoding="cp1252"), [marks.ACT] * 3 + [marks.NO_FAULT_FOUND], strict=True):
        assert state.letters in line.plain


def test_the_strip_names_the_rotors_in_running_order():
    lines = [line.plain for line in strip([*((p, diagnoses()[p].conclusion) for p in POSITIONS), ("spare", None)])]
    assert [line.split()[:2] for line in lines] == [[str(i), p] for i, p in enumerate((*POSITIONS, "spare"), 1)]
    assert lines[1] == " 2  south-east  ● act             propeller blade damaged"
    assert lines[4].endswith("◌ cannot tell     not measured")
    assert strip([]) == []


def test_a_craft_is_told_by_what_to_do():
    made = {position: [reading] for position, reading in readings().items()}
    lines = [line.plain for line in craft_lines(craft_verdict(diagnoses(), made), width=100)]
    assert lines[0] == "Do not fly."
    assert lines[1].startswith("First  south-west: tighten the motor mount (Motor mount loose")
    assert any(line.startswith("Then   north-east: clean") for line in lines)
    assert any(line.startswith("Not tested:") for line in lines)
    assert all(len(line) <= 100 for line in lines)


def test_a_number_that_is_none_is_said_to_be_none():
    one = readings()["north-west"]
    odd = (replace(one.quantities[0], value=math.nan), replace(one.quantities[1], u95=math.nan))
    text = printed(said("north-west", quantities=odd))
    assert "not measured dB" in text
    assert "(interval not known)" in text
