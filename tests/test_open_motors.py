"""One inverter-fed induction motor with known faults, sound and phone log: MRecio, Acoustic and Vibration Fault Detection in Rotating
Machines: Test Results (Apache-2.0). A 4-pole motor turns at half the inverter's frequency, less slip."""

from dataclasses import replace

import numpy as np
import pytest

from tests.open_data import analyzed, motor_sound, needs_open_data, path
from vibekit.analysis import analyze
from vibekit.capture.files import read_recording
from vibekit.diagnosis import diagnose
from vibekit.settings import Settings

pytestmark = [needs_open_data, pytest.mark.usefixtures("each_once")]


def judged(capsys, fault, *words):
    files = motor_sound(fault)
    assert files
    return analyzed(capsys, *files, "--same-motor", *words, "--baseline", *motor_sound("New_Bearing"))["conclusion"]


WORDS = pytest.mark.parametrize(
    "words",
    [(), ("--test", "bare"), ("--sensor", "microphone"), ("--test", "bare", "--sensor", "microphone")],
    ids=["nothing said", "bare", "microphone", "bare by microphone"],
)


@WORDS
def test_four_weights_are_an_imbalance(capsys, words):
    """By 1x alone, which rose by 3 to 24 dB from speed to speed: with its interval as wide a microphone's reading may stay open."""
    found = analyzed(capsys, *motor_sound("Unbalanced_Rotor_4"), "--same-motor", *words, "--baseline", *motor_sound("New_Bearing"))
    assert found["findings"][0]["condition"] in ("rotor-imbalance", "prop-imbalance")
    assert found["conclusion"]["condition"] in ("rotor-imbalance", "prop-imbalance", *(("undecided",) if len(words) == 4 else ()))


@WORDS
def test_severe_damage_is_a_bearing_fault(capsys, words):
    end = judged(capsys, "Severe_Bearing_Damage", *words)
    assert end["condition"].startswith("bearing")
    assert end["part"] == "bearing"


@pytest.mark.parametrize("words", [(), ("--test", "bare")], ids=["nothing said", "bare"])
def test_minor_damage_is_a_bearing_fault(capsys, words):
    """Its pulses stand out at three speeds of five; that noise grew as the air's does is no match for them."""
    end = judged(capsys, "Minor_Bearing_Damage", *words)
    assert end["condition"].startswith("bearing")
    assert end["part"] == "bearing"


def test_two_weights_are_right_or_open(capsys):
    assert judged(capsys, "Unbalanced_Rotor_2")["condition"] in ("rotor-imbalance", "prop-imbalance", "undecided", "healthy")


def test_four_weights_at_two_speeds_are_an_imbalance_or_open(capsys):
    """At one inverter frequency 1x and 2x rose by 26 and 29 dB, at the others 2x did not: no shaft is bent by that."""
    files = motor_sound("Unbalanced_Rotor_4")
    (loud,) = [file for file in files if "50Hz" in file]
    for other in set(files) - {loud}:
        end = analyzed(capsys, loud, other, "--same-motor", "--test", "bare", "--baseline", *motor_sound("New_Bearing"))["conclusion"]
        assert end["condition"] in ("rotor-imbalance", "prop-imbalance", "undecided"), other


def test_weights_whose_second_order_rose_at_the_one_speed_recorded_are_not_a_bent_shaft_alone(capsys):
    (loud,) = [file for file in motor_sound("Unbalanced_Rotor_4") if "50Hz" in file]
    end = analyzed(capsys, loud, "--test", "bare", "--baseline", *motor_sound("New_Bearing"))["conclusion"]
    assert end["condition"] in ("rotor-imbalance", "undecided") or "rotor-imbalance" in end["also"]


def logged(condition, *frequencies):
    """Phone logs along one axis, with the speed typed for each: half the inverter's frequency, less slip."""
    files = [path(f"motors/Motor1_{condition}_Yaxis_{hz}Hz.csv") for hz in frequencies]
    return files, [f"{hz * 30 - 5}rpm" for hz in frequencies]


@pytest.mark.parametrize("condition", ["UnbalancedRotor_4Weights", "BrokenRotorBar", "DamagedBearing_Minor"])
def test_a_phone_log_tells_how_1x_moved_and_claims_nothing(capsys, condition):
    """100 samples a second see little but 1x, which an unbalance, a bearing and a broken rotor bar raise alike."""
    speeds = (40, 50, 60)
    (now, at), (past, were) = logged(condition, *speeds), logged("Healthy_NewBearing", *speeds)
    words = [
        "--same-motor",
        "--test",
        "bare",
        *(w for s in at for w in ("--speed", s)),
        *(w for s in were for w in ("--baseline-speed", s)),
    ]
    found = analyzed(capsys, *now, *words, "--baseline", *past)
    assert found["conclusion"]["condition"] == "undecided"
    assert "1x" in found["conclusion"]["reason"]
    assert "dB" in found["conclusion"]["reason"]
    chance = {each["condition"]: each["probability"] for each in found["findings"]}
    assert {"rotor-imbalance", "bearing-outer", "electrical"} <= chance.keys()
    if condition != "DamagedBearing_Minor":
        assert chance.get("healthy", 0.0) < 0.3


@pytest.mark.parametrize("test", [None, "bare"])
def test_the_second_half_of_a_sound_motor_is_not_called_hurt_for_a_louder_microphone_or_room(test):
    """Of each recording of the new bearing the first half is the healthy past: nothing changed but what is done to the second."""
    settings, rng = Settings(test=test, sensor="microphone"), np.random.default_rng(1)
    past, now = [], {"as it is": [], "louder": [], "fan": []}
    for file in motor_sound("New_Bearing")[::2]:
        whole = read_recording(file)
        first, second = np.array_split(whole.samples, 2, axis=1)
        past.append(analyze(replace(whole, samples=first), settings))
        for what, gain, fan in (("as it is", 1, 0.0), ("louder", 3, 0.0), ("fan", 1, 0.01)):
            samples = gain * second + fan * rng.standard_normal(second.shape)
            now[what].append(analyze(replace(whole, samples=samples.astype(np.float32)), settings))
    ends = {what: [diagnose(each, references=past) for each in (readings, *([one] for one in readings))] for what, readings in now.items()}
    called = {what: [end.conclusion.condition for end in each] for what, each in ends.items()}
    assert all(name in ("healthy", "undecided") for each in called.values() for name in each), called
    assert "louder alike: put down to the sensor's gain" in ends["louder"][0].conclusion.reason
