"""The swap test as it is typed: what is missing is asked for in order, and what is there is judged."""

import hashlib
import json
import statistics
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import soundfile

from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.cli import main
from vibekit.craft_file import craft_from
from vibekit.kept import NewReading
from vibekit.place import find_place
from vibekit.rig import Fault, draw_craft, record
from vibekit.rig_case import rig_settings

WREN = "".join(
    ['name = "Wren-4"\n', *(f'[[rotor]]\nposition = "{name}"\nhand = "{hand}"\n' for name, hand in
     (("north-east", "clockwise"), ("south-west", "clockwise"), ("north-west", "counter-clockwise")))]
)  # fmt: skip
SOUND = datetime(2026, 2, 1, tzinfo=UTC)
BEFORE, SWAP, AFTER = (datetime(2026, 3, 1, hour, tzinfo=UTC) for hour in (9, 10, 11))
RIG = draw_craft(2001)
NICK = Fault("blade-damage", 8.0)


@pytest.fixture(autouse=True)
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.chdir(tmp_path)
    with Archive(find_place()) as archive:
        archive.put_craft(WREN, craft_from(WREN, "wren.toml"))
    return tmp_path


def keep(position, rotor, when, takes, fault=None, test="prop", setup=""):
    """Recordings of the rig, analysed as a user's."""
    new = []
    for number, take in enumerate(takes):
        recording, _ = record(RIG, rotor=rotor, test=test, take=take, fault=fault)
        file = Path(f"{position}-{test}-{take}.wav")
        soundfile.write(file, recording.samples.T, round(recording.rate_hz), subtype="FLOAT")
        reading = analyze(recording, rig_settings(RIG, test, "contact", known=True))
        reading = replace(reading, sha256=hashlib.sha256(file.read_bytes()).hexdigest())
        new.append(NewReading(position, file, reading, setup, taken_at=when + timedelta(minutes=number)))
    with Archive(find_place()) as archive:
        archive.put_readings(craft_from(WREN, "wren.toml"), new)


def swap(capsys, *words):
    status = main(["swap", "Wren-4", *words])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_what_is_missing_is_asked_for_in_order_with_its_cautions(capsys):
    status, out, _ = swap(capsys, "north-east", "south-west")
    assert status == 1
    steps = (
        "Measure north-east with its propeller 3 times",
        "Measure south-west with its propeller 3 times, in the same way.",
        "not be touched",
        "swap the propellers",
        "north-east with the other propeller",
        "vibekit part Wren-4 north-east --did swapped --what propeller --with south-west",
    )
    assert [out.index(step) for step in steps] == sorted(out.index(step) for step in steps)
    assert "Propeller on only behind a guard" in out


def test_a_nick_goes_with_its_propeller(capsys):
    for when, takes, fault in ((SOUND, (0, 1, 2), None), (BEFORE, (10, 11, 12), NICK)):
        keep("north-east", 0, when, takes, fault)
        keep("north-east", 0, when, takes[:2], fault, "bare")
    keep("south-west", 1, BEFORE, (10, 11, 12))
    keep("north-west", 2, BEFORE, (10, 11))
    assert main(["part", "Wren-4", "south-west", "--did", "swapped", "--what", "propeller", "--with", "north-east",
                 "--when", SWAP.isoformat()]) == 0  # fmt: skip
    keep("north-east", 0, AFTER, (20, 21, 22))
    capsys.readouterr()
    status, out, _ = swap(capsys, "north-east", "south-west", "--json")
    assert status == 1
    assert json.loads(out)["missing"] == [
        "Measure south-west with the other propeller 3 times, the propeller taken off and put back in between (`vibekit refit` notes it), "
        "same sensor, place and speed, then the untouched rotor."
    ]
    keep("south-west", 1, AFTER, (20, 21, 22), Fault("blade-damage", 8.0, 1))
    keep("north-west", 2, AFTER, (20, 21))
    status, out, _ = swap(capsys, "north-east", "south-west")
    assert status == 0
    assert "The fault went with the propeller." in out
    assert "untouched" not in out
    assert "Taken together: north-east 3 before and 3 after, south-west 3 before and 3 after the swap, 2 of north-east bare." in out
    assert "permission to fly" in out
    _, out, _ = swap(capsys, "north-east", "south-west", "--json")
    result = json.loads(out)["result"]
    assert result["answer"] == "propeller"
    assert sum(result["probabilities"].values()) == pytest.approx(1)
    loudest = result["moved"][0]
    assert loudest["first"]["decibel"] < 0
    assert loudest["second"]["decibel"] - loudest["second"]["u95"] > 0


def test_each_reading_after_a_swap_narrows_the_intervals(capsys):
    """One on each side is judged, and said to be one of three; three are pooled."""
    for when, takes, fault in ((SOUND, (0, 1, 2), None), (BEFORE, (10, 11, 12), NICK)):
        keep("north-east", 0, when, takes, fault)
        keep("north-east", 0, when, takes[:2], fault, "bare")
    keep("south-west", 1, BEFORE, (10, 11, 12))
    assert main(["part", "Wren-4", "south-west", "--did", "swapped", "--what", "propeller", "--with", "north-east",
                 "--when", SWAP.isoformat()]) == 0  # fmt: skip
    keep("north-east", 0, AFTER, (20,))
    keep("south-west", 1, AFTER, (20,), Fault("blade-damage", 8.0, 1))
    capsys.readouterr()
    _, out, _ = swap(capsys, "north-east", "south-west")
    assert "After the swap north-east once and south-west once was measured, and 3 times was asked" in out
    few = judged(capsys)
    keep("north-east", 0, AFTER, (20, 21, 22))
    keep("south-west", 1, AFTER, (20, 21, 22), Fault("blade-damage", 8.0, 1))
    many = judged(capsys)
    assert "was asked" not in swap(capsys, "north-east", "south-west")[1]
    both = [(few[name], many[name]) for name in few.keys() & many.keys()]
    assert len(both) > 3
    assert statistics.median(three / one for one, three in both) < 0.9  # the spread itself is learned anew, so not each one


def judged(capsys):
    """The half width of the 95 % interval of what each quantity of the first rotor moved by."""
    _, out, _ = swap(capsys, "north-east", "south-west", "--json")
    return {m["name"]: m["first"]["u95"] for m in json.loads(out)["result"]["moved"] if m["first"]["u95"]}


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("north-east", "north-east"), "the others are south-west, north-west"),
        (("north-east", "north"), "'north'"),
        (("north-east", "north-west"), "turn the same way"),
    ],
)
def test_swap_refuses_in_one_line(capsys, words, named):
    status, _, err = swap(capsys, *words)
    assert status == 2
    assert err.count("\n") == 1
    assert named in err


def test_a_swap_joins_the_verdict_of_both_rotors_once(capsys):
    """The propeller that moved is blamed where it is now; nothing is left of it where it was. Bare and refits are told, too."""
    for when, takes, fault in ((SOUND, (0, 1), None), (BEFORE, (10, 11), NICK)):
        keep("north-east", 0, when, takes, fault)
        keep("north-east", 0, when, takes[:1], None, "bare")
        keep("south-west", 1, when, takes)
    assert main(["part", "Wren-4", "south-west", "--did", "swapped", "--what", "propeller", "--with", "north-east",
                 "--when", SWAP.isoformat()]) == 0  # fmt: skip
    keep("north-east", 0, AFTER, (20, 21))
    keep("north-east", 0, AFTER, (23,), None, "bare")
    keep("south-west", 1, AFTER, (20, 21), Fault("blade-damage", 8.0, 1))
    capsys.readouterr()
    main(["compare", "Wren-4", "--json"])
    found = json.loads(capsys.readouterr().out)
    assert [(s["first"], s["second"], s["answer"]) for s in found["swaps"]] == [("north-east", "south-west", "propeller")]
    ends = {m["position"]: m["conclusion"] for m in found["motors"]}
    assert ends["south-west"]["part"] == "propeller"
    assert found["verdict"]["words"] == "Do not fly."
    assert found["verdict"]["acts"][0]["position"] == "south-west"
    assert "north-east" in found["bare_and_propeller"]
    evidence = [e["text"] for m in found["motors"] for f in m["findings"] for e in f["evidence"]]
    assert sum("swap test of 2026-03-01" in text for text in evidence) <= len(evidence) / 4
    main(["compare", "Wren-4"])
    out = capsys.readouterr().out
    assert "Swap test of 2026-03-01, north-east with south-west: the fault went with the propeller" in out
    assert "Do not fly." in out
    assert "north-east: Bare against with the propeller" in out
    assert main(["report", "Wren-4", "-o", "wren.html"]) == 0
    page = Path("wren.html").read_text(encoding="utf-8")
    assert "Propeller or motor" in page
    assert "Swap test of 2026-03-01, north-east with south-west: the fault went with the propeller" in page
    assert "Do not fly." in page


def test_a_forgotten_set_up_is_named(capsys):
    """Levels of two set-ups are not compared; which note is missing has to be said, or nobody finds out why nothing is told."""
    for position, rotor in (("north-east", 0), ("south-west", 1)):
        keep(position, rotor, BEFORE, (10,), setup="pick-up on the arm")
        keep(position, rotor, AFTER, (20,))
    keep("north-east", 0, BEFORE, (10,), None, "bare", setup="pick-up on the arm")
    assert part(capsys, "north-east", "--did", "swapped", "--what", "propeller", "--with", "south-west", "--when", SWAP.isoformat())[0] == 0
    status, out, _ = swap(capsys, "north-east", "south-west")
    assert status == 0
    assert "Cannot be told from these readings" in out
    assert "The set-ups as noted differ, 'pick-up on the arm' and none" in out


def part(capsys, position, *words):
    status = main(["part", "Wren-4", position, *words])
    said = capsys.readouterr()
    return status, said.out, said.err


def test_a_swap_noted_at_one_rotor_parts_the_visits_of_both(capsys):
    for position, rotor in (("north-east", 0), ("south-west", 1)):
        keep(position, rotor, BEFORE, (10,))
        keep(position, rotor, BEFORE + timedelta(minutes=20), (11,))
        assert main(["refit", "Wren-4", position, "--done", "--when", (BEFORE + timedelta(minutes=10)).isoformat()]) == 1
        keep(position, rotor, AFTER, (20,))
    words = ("--did", "swapped", "--what", "propeller", "--with", "south-west", "--when")
    assert part(capsys, "north-east", *words, SWAP.isoformat())[0] == 0
    for position, other in (("north-east", "south-west"), ("south-west", "north-east")):
        assert f"propeller swapped with {other} (prop)" in part(capsys, position)[1]
    day = f"{SWAP.astimezone():%Y-%m-%d}"
    assert main(["report", "Wren-4", "--before", day, "--after", day, "-o", "proof.html"]) == 0
    page = Path("proof.html").read_text(encoding="utf-8")
    assert page.count("Done between: propeller swapped with") == 2
    assert str(Path.cwd()) not in page  # where a recording lay is nobody else's concern
    assert page.count("Means of 2 and 1 recording;") == 2  # refitting in between to measure it parts no visit
    assert "one visit only" not in page.replace("north-west: one visit only", "")


def test_a_swap_that_cannot_be_is_not_noted(capsys):
    status, _, err = part(capsys, "north-east", "--did", "swapped", "--what", "propeller", "--with", "north-west")
    assert (status, err.count("\n")) == (2, 1)
    assert "only propellers of rotors that turn the same way" in err
    assert part(capsys, "north-east", "--did", "swapped", "--what", "motor", "--with", "north-west")[0] == 0


def test_a_day_alone_does_not_tell_what_came_first(capsys):
    keep("south-west", 1, BEFORE, (10,))
    words = ("--did", "swapped", "--what", "propeller", "--with", "south-west", "--when")
    day = f"{BEFORE.astimezone():%Y-%m-%d}"
    status, _, err = part(capsys, "north-east", *words, day)
    assert (status, err.count("\n")) == (2, 1)
    assert f"south-west was measured on that day at {BEFORE.astimezone():%H:%M}; say the time, too" in err
    assert part(capsys, "north-east", *words, SWAP.isoformat())[0] == 0
    assert part(capsys, "north-west", "--did", "cleaned", "--what", "motor", "--when", day)[0] == 0
    record_file = Path("south-west-prop-10.wav")
    add = ["add", "Wren-4", "south-west", str(record_file), "--replace", "--when"]
    assert main([*add, day]) == 2
    assert "work on south-west was noted on that day" in capsys.readouterr().err
    assert main([*add, AFTER.isoformat()]) == 0


def test_work_still_to_come_is_told(capsys):
    tomorrow = (datetime.now(UTC) + timedelta(days=1)).isoformat()
    status, _, err = part(capsys, "north-east", "--did", "cleaned", "--what", "motor", "--when", tomorrow)
    assert status == 0
    assert err.count("which is still to come") == 1


def test_a_swap_without_readings_from_before_it_is_not_judged(capsys):
    words = ("--did", "swapped", "--what", "propeller", "--with", "south-west", "--when")
    assert part(capsys, "north-east", *words, SWAP.isoformat())[0] == 0
    keep("north-east", 0, AFTER, (20,))
    keep("north-east", 0, AFTER, (21,), None, "bare")
    keep("south-west", 1, AFTER, (20,))
    status, out, _ = swap(capsys, "north-east", "south-west")
    assert status == 1
    assert "1. North-east and south-west were not measured before the swap: swap the propellers back" in out
    assert "2. " not in out
    again = AFTER + timedelta(hours=1)
    assert part(capsys, "north-east", *words, again.isoformat())[0] == 0
    keep("north-east", 0, again + timedelta(hours=1), (30,))
    keep("south-west", 1, again + timedelta(hours=1), (30,))
    assert swap(capsys, "north-east", "south-west")[0] == 0
