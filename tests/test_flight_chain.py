"""What happens to a flight on its way into the file is no fault of the craft: gain, response and mains hum, put on flights of the rig."""

from dataclasses import replace

import numpy as np
import pytest

from vibekit.analysis import analyze
from vibekit.change import louder
from vibekit.diagnosis import diagnose
from vibekit.dominance import LOUDEST
from vibekit.flight_speed import flight_speed
from vibekit.gain import OCTAVES, common_gain, tilt
from vibekit.reading import LinePower, Quantity
from vibekit.rig import draw_craft
from vibekit.rig.flight_band import CutTip
from vibekit.rig.flight_sound import flight_sound
from vibekit.settings import Settings
from vibekit.transform import Transform

RATE = 12_000.0
CRAFT = draw_craft(42_000_009)
SETTINGS = Settings("flight", blades=CRAFT.blades, sensor="contact")
CALLED_NOTHING = ("healthy", "undecided")


def flight(take, *hurt):
    return flight_sound(CRAFT, "contact", hurt, take, rate_hz=RATE)[0]


def through(recording, how):
    """The recording with samples that went through a chain."""
    return analyze(replace(recording, samples=how(recording.samples[0].astype(float)).astype(np.float32)[None]), SETTINGS)


def tilted(db_an_octave):
    def how(x):
        bins, hz = np.fft.rfft(x), np.fft.rfftfreq(len(x), 1 / RATE)
        return np.fft.irfft(bins * (np.maximum(hz, 20) / 1000) ** (db_an_octave / 6.02), len(x))  # 6.02 dB: a factor of two in amplitude

    return how


def hum(x):
    time = np.arange(len(x)) / RATE
    return x + 2 * x.std() * sum(a * np.sin(2 * np.pi * 50.02 * k * time + k) for k, a in ((1, 1), (2, 0.3), (3, 0.5), (5, 0.3)))


@pytest.fixture(scope="module")
def past():
    return [analyze(flight(take), SETTINGS) for take in range(2)]


@pytest.mark.parametrize("db", [12, -12])
def test_a_flight_recorded_at_another_gain_is_no_hurt_one_and_it_is_said(past, db):
    loud = through(flight(2), lambda x: x * 10 ** (db / 20))
    end = diagnose([loud], references=past).conclusion
    assert end.condition in CALLED_NOTHING
    assert f"{'louder' if db > 0 else 'softer'} alike: put down to the sensor's gain" in end.reason


def test_what_every_band_and_line_of_a_flight_moved_by_is_gain_and_what_one_did_is_not(past):
    first = past[0]
    names = [f"{OCTAVES}{hz} Hz" for hz in (125, 250, 500, 1000, 2000)]

    def moved(bands, line):
        lines = (LinePower(2.0, 1e-4 * 10 ** (line / 10), 1e-7, 1e-9, "FS"),)
        return replace(
            first, quantities=tuple(Quantity(n, -60.0 + by, 0.1, "dB") for n, by in zip(names, bands, strict=True)), powers=lines
        )

    still = moved([0] * 5, 0)
    for bands, line, gain in (([20, 6, 12, 9, 15], 7, 6), ([20, 6, 12, 9, 15], 0, 3), ([20, 6, 12, 9, 0], 7, 3)):
        assert common_gain(moved(bands, line), [still])[0] == pytest.approx(gain)
    bench = [replace(each, settings=replace(each.settings, test="prop")) for each in (moved([20, 6, 12, 9, 15], 7), still)]
    assert common_gain(bench[0], bench[1:])[0] == pytest.approx(3)


def test_a_response_that_tilts_is_said_and_its_noise_not_compared(past):
    fallen = through(flight(2), tilted(-3))
    assert tilt(fallen, past[0]) == pytest.approx(-3, abs=0.7)
    assert "the highs fall by 3 dB an octave" in louder([fallen], past)
    found = diagnose([fallen], references=past)
    assert found.conclusion.condition in CALLED_NOTHING
    assert not any("broadband noise" in e.text for finding in found.findings for e in finding.evidence)


@pytest.mark.parametrize("hurt", [(), (CutTip(0.15, 1),)], ids=["sound", "cut"])
def test_mains_hum_is_no_rotor_and_is_taken_out_with_a_word(hurt):
    recording = flight(2, *hurt)
    quiet, noisy = analyze(recording, SETTINGS), through(recording, hum)
    assert any(line.startswith("mains hum taken out at 50, 100, 150") for line in noisy.log)
    assert not any("mains hum" in line for line in quiet.log)
    assert noisy.speed.rpm == pytest.approx(quiet.speed.rpm, rel=0.02)
    assert noisy.quantity(LOUDEST).value == pytest.approx(quiet.quantity(LOUDEST).value, abs=1)
    assert diagnose([noisy]).conclusion.condition == diagnose([quiet]).conclusion.condition


def test_a_transform_at_hand_gives_the_same_speed():
    x = flight(2).samples[0]
    assert flight_speed([x], RATE, 0.45 * RATE, 2, [Transform.of(x, RATE)]) == flight_speed([x], RATE, 0.45 * RATE, 2)
