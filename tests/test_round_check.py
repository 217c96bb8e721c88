"""What makes the runs of a round unlike is said: a neighbour, wind, unequal speeds, a sensor that moved. Truth is the rig's."""

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.rounds import Round, round_of
from vibekit.analysis import analyze
from vibekit.errors import UsageError
from vibekit.rig import draw_craft
from vibekit.round_check import check_round
from vibekit.round_split import split_round
from vibekit.scene import POSITIONS
from vibekit.settings import Settings

RATE, SEED = 8000, 6300
TWO = (0, 1, 0, 1)  # two rotors are enough, and twice as quick
NAMES = [POSITIONS[rotor] for rotor in TWO]


def a_round(**changed) -> Round:
    given = {"order": TWO, "speed": (1.0,) * 4, "run_s": (6.0, 7.0), "rate": RATE} | changed
    return round_of(draw_craft(SEED), np.random.default_rng(SEED), **given)


def remarks(made: Round) -> tuple[str, ...]:
    split = split_round(made.recording, len(TWO))
    settings = Settings(test="prop", sensor="microphone", blades=draw_craft(SEED).blades)
    parts = (made.recording.samples[:, slice(*(round(second * RATE) for second in run.steady_s))] for run in split.runs)
    return check_round(split, NAMES, [analyze(replace(made.recording, samples=part), settings) for part in parts])


def changed(made: Round, samples: np.ndarray) -> Round:
    return replace(made, recording=replace(made.recording, samples=samples.astype(np.float32)))


@pytest.fixture(scope="module")
def plain() -> Round:
    return a_round()


def span(made: Round, run: int) -> slice:
    """The samples of a run, from start to stop."""
    start, _, _, stop = made.spans_s[run]
    return slice(round(start * RATE), round(stop * RATE))


def test_nothing_is_said_of_a_round_without_fault(plain):
    assert remarks(plain) == ()


def test_one_rotor_at_two_speeds():
    (remark,) = remarks(a_round(speed=(1.0, 1.0, 1.0, 0.93)))
    assert remark.startswith("south-east turned at ")
    first, second = (float(word) for word in remark.removeprefix("south-east turned at ").split(" rpm")[0].split(", "))
    assert second / first == pytest.approx(0.93, abs=0.015)  # the rig hits a speed within 1 %


def test_rotors_at_unequal_speeds():
    (remark,) = remarks(a_round(speed=(1.0, 0.85, 1.0, 0.85)))
    assert remark.startswith("the rotors turned at unequal speeds (north-east ")
    assert "set the same speed for each" in remark


def test_a_neighbour_that_never_stops():
    found = [remark for remark in remarks(a_round(neighbour=1)) if "something still turned or blew" in remark]
    assert len(found) >= 3, "once what turned since the opening was heard between two runs"


def test_wind_during_one_run(plain):
    """Turbulence: its spectrum falls with frequency to the power of 5/3 (Kolmogorov 1941)."""
    samples, rng = plain.recording.samples.copy(), np.random.default_rng(1)
    where = span(plain, 2)
    n = where.stop - where.start
    hz = np.fft.rfftfreq(n, 1 / RATE)
    gusts = np.fft.irfft(np.fft.rfft(rng.standard_normal(n)) * np.maximum(hz, 2.0) ** (-5 / 6), n)
    samples[0, where] += 4 * np.std(samples[0, where]) / np.std(gusts) * gusts * np.hanning(n) ** 0.1
    found = [remark for remark in remarks(changed(plain, samples)) if "wind or wash" in remark]
    assert found == ["wind or wash blew on the microphone during north-east: low orders are hidden there"]


def test_a_sensor_that_moved(plain):
    samples = plain.recording.samples.copy()
    samples[0, span(plain, 3)] *= 10 ** (10 / 20)
    (remark,) = remarks(changed(plain, samples))
    assert re.match("south-east sounds (9|10) dB different the second time", remark)  # over a background that did not change


def test_a_sensor_on_which_nobody_knocked(plain):
    samples = plain.recording.samples.copy()
    knock = round(plain.knock_s * RATE)
    samples[0, knock - 100 : knock + 2000] = samples[0, :2100]
    assert remarks(changed(plain, samples)) == (
        "no knock was heard before the first rotor: make sure that the sensor is fixed, and that it is the one that records",
    )


def test_a_reading_for_each_run_is_asked_for(plain):
    with pytest.raises(UsageError, match="give one a run"):
        check_round(split_round(plain.recording, len(TWO)), NAMES, [])
