"""A round in one take: split right, its order doubted where it should be, and the odd motor named. Truth is the rig's."""

import io
import os
import sys
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
import soundfile

from tests.rounds import Round, random_fault, round_of
from vibekit import cli
from vibekit.analysis import analyze
from vibekit.capture.files import read_recording
from vibekit.diagnosis import conclude_craft, diagnose
from vibekit.errors import UnreadableError, UsageError
from vibekit.recording import Channel, Recording
from vibekit.rig import Fault, draw_craft, record
from vibekit.round_check import check_order
from vibekit.round_plan import longest_s, steps
from vibekit.round_split import Split, is_over, split_round
from vibekit.scene import POSITIONS
from vibekit.settings import Settings
from vibekit.turning import HANDS, WAYS

ROUNDS = int(os.environ.get("VIBEKIT_ROUNDS", "3"))  # 200 were run by hand
QUICK = {"rate": 8000, "run_s": (2.0, 3.0)}


def is_right(split: Split, made: Round) -> bool:
    """As many runs as there were, each steady part inside its run and with most of what was steady."""
    if len(split.runs) != len(made.spans_s) or not split.clear:
        return False
    return all(
        run.steady_s[0] >= start
        and run.steady_s[1] <= stop
        and min(run.steady_s[1], last) - max(run.steady_s[0], first) >= 0.8 * (last - first)
        for run, (start, first, last, stop) in zip(split.runs, made.spans_s, strict=True)
    )


@pytest.fixture(scope="module")
def rounds() -> list[tuple[Round, Split]]:
    """Rounds of unlike craft, one rotor hurt in each, bare and with propellers."""
    made = []
    for k in range(ROUNDS):
        rng = np.random.default_rng(1000 + k)
        one = round_of(draw_craft(5000 + k), rng, fault=random_fault(rng), test="prop" if k % 2 else "bare", **QUICK)
        made.append((one, split_round(one.recording, 8)))
    return made


def test_rounds_are_split_right(rounds):
    right = sum(is_right(split, made) for made, split in rounds)
    assert right >= 0.98 * len(rounds)


def test_the_knock_is_heard(rounds):
    heard = sum(any(abs(at - made.knock_s) < 0.05 for at in split.knocks_s) for made, split in rounds)
    assert heard >= 0.95 * len(rounds)


def test_the_announced_order_is_not_doubted_without_a_reason(rounds):
    doubted = sum(bool(check_order(split, POSITIONS)) for _, split in rounds)
    assert doubted <= 0.02 * len(rounds)


def test_another_order_in_the_second_round_is_noticed():
    """Three of five are enough: rotors that sound alike cannot be told apart, and then their order matters less."""
    noticed = 0
    for k, order in enumerate([(1, 0, 2, 3), (3, 2, 1, 0), (1, 2, 3, 0)]):
        made = round_of(draw_craft(6100 + k), np.random.default_rng(2100 + k), order=(0, 1, 2, 3, *order), **QUICK)
        (doubt,) = check_order(split_round(made.recording, 8), POSITIONS) or ("",)
        noticed += doubt == f"round 2 sounds as if its order had been {', '.join(POSITIONS[rotor] for rotor in order)}"
    assert noticed >= 2


def test_a_take_is_over_after_the_last_run_and_not_before(rounds):
    """Cut off ten seconds after each run, as if nothing more had come; only after the last is it over."""
    for made, _ in rounds:
        rate = made.recording.rate_hz
        quiet = made.recording.samples[:, : int(0.4 * made.knock_s * rate)]
        for number, (*_, stop) in enumerate(made.spans_s, 1):
            rest = np.tile(quiet, 1 + int(10 * rate / quiet.shape[1]))
            so_far = np.concatenate([made.recording.samples[:, : int((stop + 0.1) * rate)], rest], axis=1)
            assert is_over(Recording(so_far, rate, (Channel(),)), 8) == (number == 8)


def test_a_run_too_few_is_asked_about():
    made = round_of(draw_craft(6200), np.random.default_rng(2200), order=(0, 1, 2, 3, 0, 1, 3), speed=(1.0,) * 7, **QUICK)
    (doubt,) = check_order(split_round(made.recording, 8), POSITIONS)
    assert doubt == "7 runs are heard, 8 were announced (2 rounds of 4 rotors)"


def test_what_turns_along_is_noticed():
    """A neighbour that starts with the knock and never stops."""
    made = round_of(draw_craft(6006), np.random.default_rng(2006), neighbour=1, **QUICK)
    split = split_round(made.recording, 8)
    assert max(run.before_db for run in split.runs) > 3
    still = round_of(draw_craft(6006), np.random.default_rng(2006), **QUICK)
    assert max(run.before_db for run in split_round(still.recording, 8).runs) < 2


@pytest.mark.parametrize("expected", [0, -3])
def test_no_rotors_make_no_round(expected):
    with pytest.raises(UsageError, match="runs are expected"):
        split_round(Recording(np.zeros((1, 80_000), np.float32), 8000, (Channel(),)), expected)


def test_a_take_too_short_is_refused():
    with pytest.raises(UnreadableError, match="a round takes a minute or more"):
        split_round(Recording(np.zeros((1, 8000), np.float32), 8000, (Channel(),)), 8)


def test_noise_holds_no_runs():
    noise = np.random.default_rng(3).standard_normal((1, 400_000)).astype(np.float32)
    split = split_round(Recording(noise, 8000, (Channel(),)), 8)
    assert not split.clear
    assert check_order(split, POSITIONS)


def test_zeros_are_no_background(rounds):
    """A recorder that was switched on before the sensor, and samples lost in a pause between two runs."""
    with pytest.raises(UnreadableError, match="only zeros"):
        split_round(Recording(np.zeros((1, 400_000), np.float32), 8000, (Channel(),)), 8)
    made, split = rounds[0]
    samples = made.recording.samples.copy()
    lost = int((made.spans_s[0][3] + 0.5) * 8000)
    samples[:, lost : lost + 4000] = 0
    samples = np.concatenate([np.zeros((1, 40_000), np.float32), samples, np.zeros((1, 100_000), np.float32)], axis=1)
    again = split_round(Recording(samples, 8000, (Channel(),)), 8)
    assert again.clear
    assert [run.start_s - 5 for run in again.runs] == pytest.approx([run.start_s for run in split.runs], abs=0.2)


@pytest.mark.parametrize("way", [*WAYS, None])
def test_the_plan_follows_how_the_craft_is_turned(way):
    plan = steps(way, POSITIONS, "bare", 8.0)
    assert "background" in plan[0]
    assert "Knock" in plan[1]
    assert "north-east, south-east, south-west, north-west" in plan[2]
    assert ("the sensor goes round" in plan[2]) == (way == "all-idling")
    assert ("flick" in plan[2]) == (way == "by-hand")
    assert 8 * (8.0 + 15.0) < longest_s(way, 4, 8.0) < 480, "a four-rotor craft in less than ten minutes, the page included"


@pytest.mark.skipif(ROUNDS < 20, reason="VIBEKIT_ROUNDS=200 runs it, on a quarter as many")
def test_the_odd_motor_is_named_in_most_rounds():
    """Faults that the test can show, 20 repeatability limits large; the others of the craft are all there is to compare with.

    Of 50 craft, 34 had the odd motor named; nobody was named in the others.
    """
    shown = {"bare": ("bearing-grit", "loose-mount"), "prop": ("bearing-grit", "loose-mount", "blade-damage", "prop-imbalance")}
    told = Counter()
    for k in range(ROUNDS // 4):
        rng, craft, test = np.random.default_rng(7000 + k), draw_craft(7000 + k), ("bare", "prop")[k % 2]
        odd = int(rng.integers(len(POSITIONS)))
        fault = Fault(str(rng.choice(shown[test])), 20.0, odd)
        made = round_of(craft, rng, fault=fault, test=test, run_s=(3.0, 4.0))
        settings = Settings(test=test, sensor="contact", blades=craft.blades, poles=craft.poles, slots=craft.slots)
        readings = {position: [] for position in POSITIONS}
        for run, position in zip(split_round(made.recording, 8).runs, POSITIONS * 2, strict=True):
            start, stop = (round(second * made.recording.rate_hz) for second in run.steady_s)
            part = replace(made.recording, samples=made.recording.samples[:, start:stop])
            readings[position].append(analyze(part, settings))
        verdicts = {}
        for position, own in readings.items():
            others = [reading for p in POSITIONS if p != position for reading in readings[p]]
            verdicts[position] = diagnose(own, references=others, peers=True, position=position)
        end = conclude_craft(verdicts)
        told["nobody" if end.condition in ("undecided", "healthy") else "right" if end.position == POSITIONS[odd] else "wrong"] += 1
    assert told["right"] >= 0.6 * told.total(), told
    assert told["wrong"] <= 0.02 * told.total(), told


def test_the_odd_motor_is_named_from_one_take(tmp_path, monkeypatch, capsys):
    """A blade damaged on the third rotor; the take is a file, the answer the command's own."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    craft = tmp_path / "wren-4.toml"
    craft.write_text("\n".join(['name = "Wren-4"', *(f'[[rotor]]\nposition = "{p}"\npropeller = {{ blades = 2 }}' for p in POSITIONS)]))
    rig = next(craft for craft in map(draw_craft, range(40, 80)) if craft.blades == 2)
    made = round_of(rig, np.random.default_rng(8), fault=Fault("blade-damage", 8.0, 2), run_s=(2.5, 3.0), rate=16_000)
    file = tmp_path / "round.wav"
    soundfile.write(file, made.recording.samples.T, made.recording.rate_hz, subtype="FLOAT")
    words = ["record", str(craft), "--round", "--test", "prop", "--sensor", "contact", "--file", str(file)]
    assert cli.main([*words, "--setup", "contact pick-up on the hub"]) == 0
    out = capsys.readouterr().out
    assert "8 runs kept for Wren-4" in out
    first = next(line for line in out.splitlines() if line.startswith("First"))
    assert "south-west" in first
    assert file.exists()
    kept = [path for path in (tmp_path / "archive" / "files").rglob("*") if path.is_file()]
    assert len(kept) == 8
    assert {read_recording(path).rate_hz for path in kept} == {16_000}
    assert list((tmp_path / "archive" / "takes").iterdir()) == []


@pytest.mark.parametrize("way", WAYS)
def test_the_cautions_of_how_the_craft_is_turned_come_before_the_plan(tmp_path, monkeypatch, capsys, way):
    """Before any source is opened; here there is none."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    craft = tmp_path / "wren-4.toml"
    craft.write_text("\n".join(['name = "Wren-4"', f'turned = "{way}"', *(f'[[rotor]]\nposition = "{p}"' for p in POSITIONS)]))
    test = "hand-spin" if way == "by-hand" else "bare"
    assert cli.main(["record", str(craft), "--round", "--test", test, "--port", "nowhere"]) == 2
    told = capsys.readouterr()
    assert "means no port" in told.err
    for caution in HANDS if test == "hand-spin" else WAYS[way].cautions:
        assert told.out.index(f"! {caution}") < told.out.index("1. Keep still")
    assert ("never hold the craft by hand, and keep the thumb on disarm" in told.out) == (way == "all-idling")
    if way == "by-hand":
        assert cli.main(["record", str(craft), "--round", "--test", "bare"]) == 2
        assert "Wren-4 is described as turned thus: by hand only. Choose hand-spin" in capsys.readouterr().err


def test_a_round_by_hand_is_split_into_whole_coast_downs(tmp_path, monkeypatch, capsys):
    """Each motor flicked once, until it stands still, and again; grit in one of them."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    rig, rng, rate = draw_craft(21), np.random.default_rng(4), 16_000
    spins = []
    for number, rotor in enumerate((0, 1, 2, 3) * 2):
        fault = Fault("bearing-grit", 2.0, 2) if rotor == 2 else None
        spin, _ = record(rig, rotor=rotor, test="hand-spin", fault=fault, take=number, rate_hz=rate, sensor="microphone")
        spins.append(spin.samples[0])
    rest = 0.1 * float(np.std(spins[0][-rate // 10 :])) * rng.standard_normal(3 * rate)
    sound = np.concatenate([rest, rest, *(np.concatenate([spin, rest]) for spin in spins), rest, rest])
    soundfile.write(tmp_path / "round.wav", sound / np.max(np.abs(sound)) * 0.5, rate, subtype="PCM_24")
    craft = tmp_path / "wren-4.toml"
    motor = f"motor = {{ poles = {rig.poles}, slots = {rig.slots} }}"
    craft.write_text("\n".join(['name = "Wren-4"', 'turned = "by-hand"', *(f'[[rotor]]\nposition = "{p}"\n{motor}' for p in POSITIONS)]))
    words = ["record", str(craft), "--round", "--test", "hand-spin", "--sensor", "microphone", "--yes"]
    assert cli.main([*words, "--file", str(tmp_path / "round.wav")]) == 0
    out = capsys.readouterr().out
    assert "8 runs kept for Wren-4" in out
    assert "south-west drags" in out
    kept = [read_recording(path).duration_s for path in (tmp_path / "archive" / "files").rglob("*.flac")]
    assert sorted(kept) == pytest.approx(sorted(len(spin) / rate for spin in spins), abs=1.5)


def test_an_order_that_is_not_clear_is_asked_for(tmp_path, monkeypatch, capsys):
    """Seven runs; the answer names them, and the one of which nobody is sure is left out."""
    monkeypatch.setenv("VIBEKIT_ARCHIVE", str(tmp_path / "archive"))
    craft = tmp_path / "wren-4.toml"
    craft.write_text("\n".join(['name = "Wren-4"', *(f'[[rotor]]\nposition = "{p}"' for p in POSITIONS)]))
    made = round_of(draw_craft(6200), np.random.default_rng(2200), order=(0, 1, 2, 3, 0, 1, 3), speed=(1.0,) * 7, **QUICK)
    file = tmp_path / "round.wav"
    soundfile.write(file, made.recording.samples.T, 8000, subtype="FLOAT")
    words = ["record", str(craft), "--round", "--test", "prop", "--file", str(file)]
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    assert cli.main(words) == 1
    assert "nothing was kept" in capsys.readouterr().out
    answer = "north-east,south-east,south-west,north-west,north-east,south-east,-\n"
    monkeypatch.setattr(sys, "stdin", io.StringIO(f"who knows\n{answer}"))
    assert cli.main(words) == 0
    out = capsys.readouterr().out
    assert "name a rotor or - for each of the 7 runs" in out
    assert "6 runs kept for Wren-4" in out
