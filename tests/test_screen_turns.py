"""What is said once the speed is known: turns, steadiness, aliasing."""

import numpy as np
import pytest

from tests.machine_sounds import bench, recorded
from tests.screened import ANY, RATE
from vibekit.bearing import Bearing
from vibekit.reading import SpeedResult
from vibekit.recording import Channel, Recording
from vibekit.screening import screen_speed
from vibekit.settings import Settings


def at_speed(rpm, rate=RATE, seconds=10.0, settings=ANY, low=None, high=None, method="tacho", **recording):
    x = np.random.default_rng(0).standard_normal((1, int(rate * seconds)))
    speed = SpeedResult(method, rpm, 1.0, low or rpm, high or rpm)
    problems = screen_speed(Recording(x, float(rate), (Channel(),), **recording), settings, speed)
    return {p.code: p for p in problems}


def test_at_a_good_speed_there_is_nothing_to_say():
    assert at_speed(6000) == {}


@pytest.mark.parametrize(("seconds", "severity"), [(0.03, "stop"), (0.2, "warning"), (0.5, None)])
def test_few_turns(seconds, severity):
    few = at_speed(6000, seconds=seconds).get("few-turns")
    assert (few and few.severity) == severity


def test_a_spin_by_hand_may_have_few_turns():
    assert at_speed(180, seconds=5, settings=Settings(test="hand-spin"), low=20, high=300) == {}


@pytest.mark.parametrize(
    ("test", "low", "high", "severity"),
    [
        ("prop", 5900, 6050, None),
        ("prop", 5800, 6200, "note"),
        ("prop", 5000, 6500, "warning"),
        ("bare", 5000, 6500, "warning"),
        (None, 5000, 6500, "warning"),
        ("flight", 5000, 6500, None),
        ("run-up", 2000, 9000, None),
        ("run-up", 5900, 6100, "steady"),
        ("hand-spin", 290, 310, "steady"),
    ],
)
def test_the_speed_must_hold_or_change_as_the_test_asks(test, low, high, severity):
    told = at_speed(6000 if low > 1000 else 300, settings=Settings(test=test), low=low, high=high)
    if severity == "steady":
        assert told["steady-speed"].severity == "warning"
    else:
        unsteady = told.get("unsteady-speed")
        assert (unsteady and unsteady.severity) == severity


@pytest.mark.parametrize(
    ("rpm", "rate", "text"),
    [
        (6000, 99.3, "1x appears at 0.7 ±"),  # 100 Hz folds to 100 - 99.3
        (4500, 99.3, "1x appears at 24.3 ±"),  # 75 Hz folds to 99.3 - 75
        (12_000, 60, "1x appears at 20.0 ±"),  # 200 Hz is 3 rates and 20 Hz
        (1800, 99.3, "2x appears at 39.3 Hz"),
    ],
)
def test_aliasing_is_named_with_where_it_appears(rpm, rate, text):
    told = at_speed(rpm, rate=rate, seconds=20)["aliasing"]
    assert told.severity == "warning"
    assert text in told.detail
    seen = float(text.split(" at ")[1].split()[0])
    order = 2 if text.startswith("2x") else 1
    sampled = np.cos(2 * np.pi * order * rpm / 60 * np.arange(int(100 * rate)) / rate)  # the sampled line itself says where it lies
    peak = np.argmax(np.abs(np.fft.rfft(sampled * np.hanning(sampled.size)))) / sampled.size * rate
    assert peak == pytest.approx(seen, abs=0.06)


def test_an_alias_is_as_unsure_as_the_rate():
    told = at_speed(12_000, rate=60, seconds=20, rate_u95_hz=0.3)["aliasing"].detail
    assert "20.0 ± 0.9 Hz" in told  # three rates away


def test_blade_pass_above_half_the_rate_is_told():
    told = at_speed(6000, rate=500, settings=Settings(blades=3))["aliasing"].detail
    assert "Blade pass (300 Hz)" in told
    assert "200.0 Hz" in told


def test_small_races_need_a_fast_sensor_and_large_ones_do_not():
    assert at_speed(6000, rate=16_000)["no-race-band"].severity == "note"
    assert at_speed(1772, rate=12_000, settings=Settings(bearings=(Bearing(9, 7.94, 39.04),))) == {}
    assert at_speed(6000, rate=12_000, settings=Settings(bearings=(Bearing(7, 1.588, 6.5),))).keys() == {"no-race-band"}


def test_a_speed_read_by_a_slow_sensor_may_be_an_alias():
    assert "speed-by-slow-sensor" in at_speed(900, rate=99.3, method="estimated", seconds=60)
    assert "speed-by-slow-sensor" not in at_speed(900, rate=99.3, method="typed", seconds=60)


def test_no_speed_is_told():
    problems = screen_speed(recorded(bench(0)[1], RATE), ANY, SpeedResult("none"))
    assert [(p.code, p.severity) for p in problems] == [("no-speed", "warning")]
