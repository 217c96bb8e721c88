"""Noise that was added at three speeds: struck or rubbed in the motor, or made by the air."""

import numpy as np
import pytest

from vibekit.analysis import analyze
from vibekit.diagnosis import diagnose
from vibekit.excess_noise import CASING, noise_over_speeds
from vibekit.recording import Channel, Recording
from vibekit.repeatability import load_repeatability
from vibekit.settings import Settings

RATE = 24000.0
RPM = 4000.0, 6000.0, 8000.0


def turning(rpm, seed, *, own=0.1, added=0.0, per_decade=0.0):
    """Two seconds of a shaft under its propeller's noise, and noise that grows by so many dB a decade, `added` at 8000 rpm."""
    rng = np.random.default_rng(seed)
    time = np.arange(int(2 * RATE)) / RATE
    pace = np.log10(rpm / 8000)
    power = (own * 10 ** (2.5 * pace)) ** 2 + added**2 * 10 ** (per_decade * pace / 10)
    samples = np.sin(2 * np.pi * rpm / 60 * time) + np.sqrt(power) * rng.standard_normal(time.size)
    recording = Recording(0.1 * samples[None].astype(np.float32), RATE, (Channel(),))
    return analyze(recording, Settings(test="prop", speed_rpm=rpm, blades=2, sensor="contact"))


@pytest.fixture(scope="module")
def sound():
    return [turning(rpm, i) for i, rpm in enumerate(RPM)]


def told(now, sound):
    return noise_over_speeds(now, sound, load_repeatability())


@pytest.mark.parametrize(
    ("per_decade", "casing"),
    [
        (20, True),  # velocity squared: common practice, no source
        (30, True),  # rate times velocity squared: common practice, no source
        (50, False),  # Ffowcs Williams & Hall, J. Fluid Mech. 40 (1970) 657-670: edges, fifth power of speed
        (0, False),  # a fan in the room: it does not know how fast the motor turns (common practice, no source)
        (60, False),  # Curle, Proc. R. Soc. A 231 (1955) 505-514: small bodies, sixth power
    ],
)
def test_how_noise_grows_tells_the_motor_from_the_air(sound, per_decade, casing):
    text, odds = told([turning(rpm, 10 + i, added=0.6, per_decade=per_decade) for i, rpm in enumerate(RPM)], sound)
    assert odds.keys() == set(CASING)
    assert all((weight > 0.3) == casing and (weight < -0.3) != casing for weight in odds.values())
    slope, u95 = (float(text.split(mark)[1].split()[0]) for mark in (" grows by ", " ± "))
    assert abs(slope - per_decade) < u95 < 30
    assert ("elsewhere" in text) == (per_decade == 0)


def test_a_sensor_that_hears_the_highs_louder_at_every_speed_is_no_damage():
    """Own noise of a bearing, which grows as what rubs does, 10 dB louder beside a shaft heard as before: another capsule, or its place."""
    quiet = [turning(rpm, 60 + i, own=0, added=0.1, per_decade=20) for i, rpm in enumerate(RPM)]
    text, odds = told([turning(rpm, 70 + i, own=0, added=0.316, per_decade=20) for i, rpm in enumerate(RPM)], quiet)
    assert max(odds.values()) < 0.3, text


def test_sound_motors_and_one_speed_say_nothing(sound):
    assert told([turning(rpm, 20 + i) for i, rpm in enumerate(RPM)], sound) is None
    assert told([turning(8000.0, 30, added=0.6)], sound) is None


def test_it_joins_the_verdict(sound):
    now = [turning(rpm, 40 + i, added=0.6, per_decade=30) for i, rpm in enumerate(RPM)]
    evidence = {f.condition: [e for e in f.evidence if "a decade" in e.text] for f in diagnose(now, references=sound).findings}
    assert any(e.supports for e in evidence["bearing-grit"])
