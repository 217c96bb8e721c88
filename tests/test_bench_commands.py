"""The commands that keep things: craft, part, add and archive, as they are typed."""

import json
import math
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
import sqlalchemy as sa

from tests.test_archive import WREN
from tests.typed_commands import at_bench, opened, run, run_json, typed
from vibekit.craft_file import load_craft
from vibekit.wording import with_interval

ROOT = Path(__file__).resolve().parent.parent
RATE = 16_000


@pytest.fixture(autouse=True)
def bench(tmp_path, monkeypatch):
    return at_bench(tmp_path, monkeypatch)


def sound(path, seed=1, seconds=3.0):
    noise = np.random.default_rng(seed).normal(size=round(RATE * seconds))
    turn = 2 * np.pi * 100 * np.arange(noise.size) / RATE
    soundfile.write(path, 0.1 * np.sin(turn) + 0.05 * np.sin(2 * turn + 1) + 0.01 * noise, RATE, subtype="PCM_24")
    return str(path)


def test_add_keeps_and_says_what_it_found(bench, capsys):
    path = sound("ne.wav")
    status, out, _ = run(
        capsys, "add", "wren.toml", "north-east", path, "--test", "bare", "--speed", "100Hz", "--setup", "microphone, 30 cm"
    )
    assert status == 0
    assert out.startswith("ne.wav: kept as ")
    assert "6000" in out
    with opened() as archive:
        (kept,) = archive.readings("Wren-4")
        assert (kept.position, kept.setup, kept.settings.test, kept.settings.speed_rpm) == ("north-east", "microphone, 30 cm", "bare", 6000)
        assert kept.stored.read_bytes() == Path(path).read_bytes()
        assert kept.reading.curves
    status, out, _ = run(capsys, "add", "Wren-4", "north-east", path)
    assert status == 0
    assert "known already, nothing was changed; analysed now: test not stated" in out
    assert "--replace" in out
    assert len(run_json(capsys, "archive", "list", "Wren-4")["readings"]) == 1
    status, out, err = run(capsys, "add", "Wren-4", "south-west", path)
    assert status == 0
    assert "the same recording is kept for Wren-4, north-east" in err


def test_the_same_file_twice_in_one_go_is_kept_once(bench, capsys):
    path = sound("ne.wav")
    status, out, _ = run(capsys, "add", "wren.toml", "north-east", path, path, "--speed", "100Hz")
    assert status == 0
    assert [line.split(": ")[1].split(" ")[0] for line in out.splitlines() if line.startswith("ne.wav")] == ["kept", "known"]
    assert len(run_json(capsys, "archive", "list", "Wren-4")["readings"]) == 1


def test_add_takes_from_the_description_what_is_not_typed(bench, capsys):
    Path("wren.toml").write_text(WREN + "[propeller]\nblades = 3\n[motor]\npoles = 14\n", encoding="utf-8")
    files = [sound("1.wav", 1), sound("2.wav", 2)]
    words = ("add", "wren.toml", "north-east", *files, "--test", "prop", "--speed", "100Hz,6010rpm", "--blades", "2", "--json")
    status, out, err = run(capsys, *words)
    assert status == 0
    assert [one["state"] for one in json.loads(out)["files"]] == ["kept", "kept"]
    assert err == "vibekit: --blades is not as described; what was typed counts\n"
    with opened() as archive:
        assert [(r.settings.blades, r.settings.poles, r.settings.speed_rpm) for r in archive.readings("Wren-4")] == [
            (2, 14, 6000),
            (2, 14, 6010),
        ]


def bad_files():
    Path("empty.wav").write_bytes(b"")
    Path("text.wav").write_text("no sound")
    Path("nan.csv").write_text("time,x\n" + "".join(f"{n / 1000},nan\n" for n in range(1000)))
    Path("words.csv").write_text("time,x\n" + "".join(f"{n / 1000},word\n" for n in range(30)))


@pytest.mark.parametrize(
    "words",
    [
        ("text.wav",), ("empty.wav",), ("none.wav",), ("words.csv",), ("good.wav", "text.wav"), ("good.wav", "--speed", "-5rpm"),
        ("good.wav", "--speed", "5"), ("good.wav", "--bearing", "9,7.94"), ("good.wav", "--test", "spin"),
        ("good.wav", "--speed", "1Hz,2Hz"),
        ("good.wav", "--roles", "sound"), ("good.wav", "--unit", "dB"), ("good.wav", "--rate", "-1Hz"), ("good.wav", "--blades", "0"),
    ],
)  # fmt: skip
def test_bad_input_is_one_line_status_2_and_writes_nothing(bench, capsys, words):
    bad_files()
    sound("good.wav")
    status, out, err = run(capsys, "add", "wren.toml", "north-east", *words)
    assert (status, out) == (2, "")
    assert err.startswith("vibekit: ")
    assert err.count("\n") == 1
    assert not (bench / "archive").exists()


@pytest.mark.parametrize("words", [("Heron", "north-east"), ("wren.toml", "north"), ("none.toml", "north-east")])
def test_a_wrong_craft_or_position_writes_nothing(bench, capsys, words):
    status, _, err = run(capsys, "add", *words, sound("good.wav"))
    assert status == 2
    assert err.count("\n") == 1
    assert not (bench / "archive").exists()


def test_what_cannot_be_judged_is_not_kept_but_said(bench, capsys):
    soundfile.write("zeros.wav", np.zeros(3 * RATE), RATE)
    status, out, _ = run(capsys, "add", "wren.toml", "north-east", "zeros.wav")
    assert status == 1
    assert "not kept: cannot be judged" in out
    assert "stop:" in out
    assert not (bench / "archive").exists()
    status, out, _ = run(capsys, "add", "wren.toml", "north-east", "zeros.wav", sound("good.wav"), "--speed", "100Hz", "--json")
    assert status == 1
    assert [one["state"] for one in json.loads(out)["files"]] == ["not kept: cannot be judged", "kept"]


def test_part_notes_what_was_done(bench, capsys):
    words = ("part", "wren.toml", "north-east", "--did", "replaced", "--what", "propeller", "--with", "new pair", "--when", "2026-03-01")
    status, out, _ = run(capsys, *words, "--note", "after a hard landing")
    assert status == 0
    assert "propeller replaced with new pair, 2026-03-01" in out
    status, out, _ = run(capsys, "archive", "show", "Wren-4")
    assert "after a hard landing" in out
    status, _, err = run(capsys, "archive", "show", "wren-4")
    assert (status, err.count("\n")) == (2, 1)
    assert "of crafts it knows Wren-4" in err
    swapped = run_json(capsys, "part", "Wren-4", "north-east", "--did", "swapped", "--what", "propeller", "--with", "south-west")
    assert swapped["fitted"] == "south-west"


@pytest.mark.parametrize(
    ("words", "named"),
    [
        (("--did", "repaired", "--what", "propeller"), "'repaired'"),
        (("--did", "cleaned", "--what", "moon"), "'moon'"),
        (("--did", "swapped", "--what", "propeller"), "--with is not given"),
        (("--did", "swapped", "--what", "propeller", "--with", "north-east"), "the others are south-west"),
        (("--did", "cleaned", "--what", "motor", "--when", "tomorrow"), "'tomorrow'"),
    ],
)
def test_part_refuses_in_one_line(bench, capsys, words, named):
    status, _, err = run(capsys, "part", "wren.toml", "north-east", *words)
    assert status == 2
    assert named in err
    assert err.count("\n") == 1
    assert not (bench / "archive").exists()


def test_craft_asks_and_writes_what_it_reads_again(bench, capsys, monkeypatch):
    motor = ["", "", "no", "13", "14", "12", "6", "", "MR63", "", "683ZZ", "7", "1.0", "5.0", ""]
    propeller = ["", "2", "152", "", "no", "", ""]
    answers = ["Wren-5", "", "L-9", "", "3", "a, a", "a, b", "", *motor, "", *propeller, "", "1", "A-1", "", "2", "", ""]
    typed(monkeypatch, "\n".join(answers) + "\n")
    status, out, _ = run(capsys, "craft", "new.toml")
    assert status == 0
    assert "poles is '13'" in out or "poles is 13" in out
    craft = load_craft("new.toml")
    assert (craft.name, craft.owner, craft.job, craft.turned, craft.positions) == ("Wren-5", None, "L-9", "bench-controller", ("a", "b"))
    one, two = craft.rotors
    assert (one.hand, two.hand, one.motor.serial, two.motor.serial) == ("clockwise", "counter-clockwise", "A-1", None)
    assert (one.motor.poles, two.motor.slots, two.propeller.blades, one.motor.geared) == (14, 12, 2, False)
    assert [bearing.size for bearing in one.motor.bearings] == ["MR63", "683ZZ"]
    assert one.motor.bearings[1].geometry.balls == 7
    status, out, _ = run(capsys, "craft", "new.toml")  # now it exists: it is shown
    assert status == 0
    assert "Cautions" in out
    assert "--test run-up" in out
    assert "so blade pass" not in out
    assert "MR63, 683ZZ" in out
    assert run_json(capsys, "craft", "new.toml")["craft"]["rotors"][0]["position"] == "a"


def test_craft_may_be_left_empty_and_its_folder_must_be_there(bench, capsys, monkeypatch):
    typed(monkeypatch, "")
    status, out, _ = run(capsys, "craft", "heron.toml")
    assert status == 0
    assert "Battery out and propellers off while hands are near" in out  # whichever way its motors are turned
    assert load_craft("heron.toml").name == "heron"
    status, _, err = run(capsys, "craft", "nowhere/heron.toml")
    assert status == 2
    assert "no folder" in err


def test_a_craft_is_asked_for_the_names_of_its_rotors_not_for_how_many(bench, monkeypatch, capsys):
    typed(monkeypatch, "Heron\n\n\n\n\n4\na, b\n")
    _, out, _ = run(capsys, "craft", "heron.toml")
    assert "their names are wanted" in out
    assert load_craft("heron.toml").positions == ("a", "b")


def test_what_was_kept_for_the_wrong_motor_is_taken_out_again(bench, capsys):
    sound("se.wav")
    kept = run_json(capsys, "add", "wren.toml", "north-east", "se.wav")["files"][0]["id"]
    work = run_json(capsys, "part", "Wren-4", "north-east", "--did", "cleaned", "--what", "motor")["id"]
    assert work[:8] in run(capsys, "archive", "show", "Wren-4")[1]
    assert run_json(capsys, "archive", "remove", kept[:8], work)["removed"] == [kept, work]
    told = run_json(capsys, "archive", "show", "Wren-4")
    assert (told["readings"], told["actions"]) == ([], [])
    status, _, err = run(capsys, "archive", "remove", kept)
    assert (status, kept in err) == (2, True)
    status, out, err = run(capsys, "add", "wren.toml", "south-west", "se.wav")
    assert (status, "kept as" in out, err) == (0, True, "")


def test_the_first_recording_of_a_craft_never_described_says_how_to_begin(bench, capsys):
    sound("ne.wav")
    status, _, err = run(capsys, "add", "Wren-4", "north-east", "ne.wav")
    assert status == 2
    assert "a craft's TOML file begins one (`vibekit craft` writes such a file)" in err


def test_a_craft_without_rotors_is_told_how_to_get_them(bench, monkeypatch, capsys):
    typed(monkeypatch, "")
    run(capsys, "craft", "heron.toml")
    status, _, err = run(capsys, "add", "heron.toml", "north-east", "take.wav")
    assert status == 2
    assert 'a line such as position = "north-east"' in err
    assert "`vibekit craft`" in run(capsys, "add", "hero.toml", "north-east", "take.wav")[2]


def test_archive_lists_shows_checks_and_moves(bench, capsys, monkeypatch):
    sound("ne.wav")
    run(capsys, "add", "wren.toml", "north-east", "ne.wav", "--speed", "100Hz", "--test", "bare")
    (craft,) = run_json(capsys, "archive", "list")["crafts"]
    assert (craft["name"], craft["readings"]) == ("Wren-4", 1)
    id = run_json(capsys, "archive", "list", "Wren-4")["readings"][0]["id"]
    status, out, _ = run(capsys, "archive", "show", id[:5])
    assert status == 0
    kept = run_json(capsys, "archive", "show", id)["reading"]
    once = next(o for o in kept["orders"] if o["name"] == "1x")
    assert with_interval(once["amplitude"] + once["u95"], math.inf, "FS") in out  # at most, as everywhere
    level = next(q for q in kept["quantities"] if q["name"] == "once a turn")
    assert with_interval(level["value"], level["u95"], level["unit"]) in out
    assert run_json(capsys, "archive", "show", id)["reading"]["speed"]["rpm"] == 6000
    assert run_json(capsys, "archive", "show", "Wren-4")["description"] == WREN
    assert run_json(capsys, "archive", "check")["clean"] is True
    assert run_json(capsys, "archive", "export", "all.zip")["files"] == 1
    assert run_json(capsys, "archive", "import", "all.zip")["known"] == 4
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(bench / "other"))
    assert run_json(capsys, "archive", "import", "all.zip")["rows"]["reading"] == 1
    assert run_json(capsys, "archive", "remake")["readings"][0]["state"] == "same"
    with opened() as archive:
        archive.readings("Wren-4")[0].stored.write_bytes(b"damaged")
    status, out, _ = run(capsys, "archive", "check")
    assert status == 1
    assert "its bytes changed" in out


def test_remake_with_another_version_fills_no_screen(bench, capsys):
    sound("ne.wav")
    run(capsys, "add", "wren.toml", "north-east", "ne.wav", "--speed", "100Hz", "--test", "bare")
    with opened() as archive, archive.writing() as session:
        kept = json.loads(session.scalar(sa.text("SELECT reading FROM reading")))
        kept["quantities"] = [one | {"value": one["value"] + 0.5} for one in kept["quantities"]]
        kept["orders"] = [one | {"floor": 2 * one["floor"]} for one in kept["orders"]]
        session.execute(sa.text("UPDATE reading SET reading = :kept"), {"kept": json.dumps(kept)})
    found = run_json(capsys, "archive", "remake")["readings"][0]["differences"]
    _, out, _ = run(capsys, "archive", "remake")
    told = out.splitlines()
    assert told[1:13] == [f"  {line}" for line in found[:12]]
    assert told[13] == f"  and {len(found) - 12} more; --json has them all"
    assert "--keep" in told[14]
    _, out, _ = run(capsys, "archive", "remake", "--keep")
    assert "--keep" not in out


def test_remake_says_which_numbers_differ_and_puts_them_right(bench, capsys):
    sound("ne.wav")
    run(capsys, "add", "wren.toml", "north-east", "ne.wav", "--speed", "100Hz", "--test", "bare", "--unit", "g", "--sensitivity", "9.8")
    assert run_json(capsys, "archive", "remake")["readings"][0]["state"] == "same"
    with opened() as archive, archive.writing() as session:
        kept = json.loads(session.scalar(sa.text("SELECT reading FROM reading")))
        kept["duration_s"] = 99.0
        session.execute(sa.text("UPDATE reading SET reading = :kept"), {"kept": json.dumps(kept)})
    (one,) = run_json(capsys, "archive", "remake", "Wren-4", "--keep")["readings"]
    assert one["state"] == "changed"
    assert one["differences"] == ["duration_s: 99, now 3"]
    assert run_json(capsys, "archive", "remake")["readings"][0]["state"] == "same"
    with opened() as archive:
        archive.readings("Wren-4")[0].stored.unlink()
    status, out, _ = run(capsys, "archive", "remake")
    assert status == 1
    assert "its recording is gone" in out


@pytest.mark.parametrize("words", [("list",), ("show", "x"), ("check",), ("remake",), ("export", "x.zip"), ("import", "none.zip")])
def test_without_an_archive_it_says_so_and_makes_none(bench, capsys, words):
    status, _, err = run(capsys, "archive", *words)
    assert status == 2
    assert err.count("\n") == 1
    assert not (bench / "archive" / "archive.sqlite").exists()


ADDING = """
import sys
from pathlib import Path
from tests.test_bench_commands import sound
from vibekit.cli import main
for n in range(10_000):
    main(["add", "wren.toml", "north-east", sound(f"{n}.wav", n, 1.0), "--speed", "100Hz", "--test", "bare"])
    print("done", n, flush=True)
"""


def test_killed_during_add_the_archive_opens_and_checks_clean(bench, capsys):
    command = [sys.executable, "-c", ADDING]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, text=True, env={"PYTHONPATH": str(ROOT), "PATH": "", "VIBEKIT_ARCHIVE": str(bench / "archive")}
    ) as adding:
        for line in adding.stdout:
            if line == "done 1\n":
                break
        time.sleep(0.017)
        adding.kill()
        done = 2 + sum(line.startswith("done") for line in adding.stdout)
    status, out, _ = run(capsys, "archive", "check")
    assert status == 0
    assert "clean" in out
    with opened() as archive:
        assert len(archive.readings("Wren-4")) >= done
    assert run(capsys, "add", "Wren-4", "south-west", sound("after.wav", 77777), "--speed", "100Hz")[0] == 0


def test_a_reader_who_has_enough_is_no_error(bench):
    command = [sys.executable, "-c", "import sys; from vibekit.cli import main; sys.exit(main(['craft', 'wren.toml']))"]
    Path("wren.toml").write_text(WREN + "".join(f'[[rotor]]\nposition = "{n}"\n' for n in range(1000)), encoding="utf-8")
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={"PYTHONPATH": str(ROOT), "PATH": ""}) as showing:
        showing.stdout.readline()
        showing.stdout.close()
        assert showing.stderr.read() == b""
        assert showing.wait(20) in (0, 1)  # 1 where rich notices first
