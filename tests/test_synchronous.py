"""Time-synchronous average: noise gain, the comb filter it is, intervals."""

import json
import math
import os

import numpy as np
import pytest
import soundfile

from tests.shaft_sounds import coloured
from vibekit.cli import main
from vibekit.errors import UsageError
from vibekit.orders import AngularSignal
from vibekit.synchronous import synchronous_average

PER_TURN = 64
CASES = int(os.environ.get("VIBEKIT_INTERVALS", "60"))


def turning(wave, turns=100, per_turn=PER_TURN, noise=0.0, seed=0):
    angle = np.arange(turns * per_turn) / per_turn
    x = wave(angle) + np.random.default_rng(seed).normal(0, noise, angle.size)
    return AngularSignal(x, angle / 50.0, per_turn, 24.0, "g")


def test_a_hundred_turns_lower_noise_by_20_db():
    # McFadden, Mech. Syst. Signal Process. 1 (1987) 83-95: -10 log10 N
    found = synchronous_average(turning(lambda angle: 0 * angle, noise=1.0))
    assert found.averages == 100
    assert found.noise_gain_db == pytest.approx(-20.0)
    assert 20 * math.log10(found.mean.std()) == pytest.approx(-20.0, abs=1.5)  # three standard errors of 64 values


def test_what_repeats_stays_and_an_order_that_is_none_passes_as_the_comb_says():
    found = synchronous_average(turning(lambda angle: 0.5 * np.cos(4 * np.pi * angle + 1)))
    assert found.mean == pytest.approx(0.5 * np.cos(4 * np.pi * found.turn + 1), abs=1e-12)
    assert found.passes(2.0) == 1.0
    for order in (2.004, 2.013, 2.5, 3.585):  # the last: an outer race
        other = synchronous_average(turning(lambda angle, order=order: np.exp(2j * np.pi * order * angle).real))
        side = synchronous_average(turning(lambda angle, order=order: np.exp(2j * np.pi * order * angle).imag))
        wave = np.exp(2j * np.pi * order * other.turn)
        left, whole = other.mean + 1j * side.mean, wave - wave.mean()  # but for its constant part
        assert np.abs(left) == pytest.approx(found.passes(order) * np.abs(whole), abs=1e-9)


@pytest.mark.parametrize("turns", [10, 100])
@pytest.mark.parametrize("slope", [0.0, 2.0, None], ids=["white", "falling", "coloured"])
def test_intervals_cover(turns, slope):
    """Noise that drifts from turn to turn, too; VIBEKIT_INTERVALS=2000 draws as many. Places of one turn count for some ten cases."""
    inside, rng = [], np.random.default_rng(turns)
    for _ in range(CASES):
        noise = 0.3 * coloured(rng, 2 * turns * PER_TURN, slope)[: turns * PER_TURN]
        noisy = synchronous_average(turning(lambda angle, noise=noise: np.cos(6 * np.pi * angle) + noise, turns))
        inside.append(np.mean(np.abs(noisy.mean - np.cos(6 * np.pi * noisy.turn)) <= noisy.u95))
    chance = 3 * math.sqrt(0.05 * 0.95 / (10 * CASES))
    assert 0.93 - chance <= np.mean(inside) <= 0.97 + chance


def test_turns_left_out_are_left_out():
    def knocked(angle):
        return np.where((angle > 10.2) & (angle < 10.4), 50.0, 0.0)

    assert np.ptp(synchronous_average(turning(knocked)).mean) > 0.4
    assert np.ptp(synchronous_average(turning(knocked), leave_out_s=((10.2 / 50, 10.4 / 50),)).mean) == 0.0
    assert synchronous_average(turning(knocked), leave_out_s=((10.2 / 50, 10.4 / 50),)).averages == 99


def test_the_curve_and_too_few_turns():
    found = synchronous_average(turning(np.cos))
    assert found.curve.x[-1] == pytest.approx(360 * (1 - 1 / PER_TURN))
    assert found.curve.u95 is found.u95
    with pytest.raises(UsageError, match="7 whole turns; a synchronous average needs 8"):
        synchronous_average(turning(np.cos, turns=7))


def test_analyze_gives_one_turn_from_the_mark_on(tmp_path, capsys):
    """A wave of orders 1 and 3 from the mark on, in noise three times as strong; the pulses are on the second channel."""
    rate, hz = 8_000, 43.7
    turns = hz * np.arange(6 * rate) / rate + 0.3
    noise = 0.15 * np.random.default_rng(1).standard_normal(turns.size)
    x = 0.05 * np.cos(2 * np.pi * turns - 1) + 0.02 * np.cos(6 * np.pi * turns + 2) + noise
    soundfile.write(tmp_path / "turning.wav", np.column_stack([x, 0.8 * (turns % 1 < 0.05)]), rate, subtype="FLOAT")
    main(["analyze", str(tmp_path / "turning.wav"), "--test", "bare", "--roles", "vibration,tacho", "--json"])
    told = json.loads(capsys.readouterr().out)
    found = told["one_turn"]
    angle = 2 * np.pi * (np.array(found["x"]) / 360)
    wanted = 0.05 * np.cos(angle - 1) + 0.02 * np.cos(3 * angle + 2)
    assert np.mean(np.abs(np.array(found["y"]) - wanted) < np.array(found["u95"])) > 0.85
    gain = {q["name"]: q["value"] for q in told["quantities"]}
    assert gain["turns averaged"] == pytest.approx(6 * hz, abs=2)
    assert gain["noise gain of one turn"] == pytest.approx(-10 * math.log10(gain["turns averaged"]))
