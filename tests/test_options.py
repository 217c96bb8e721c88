import argparse
import json

import numpy as np
import pytest
import soundfile

from vibekit.bearing import Bearing
from vibekit.cli import main
from vibekit.commands import options
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.errors import UsageError
from vibekit.settings import Settings


def parse(*words):
    parser = argparse.ArgumentParser()
    parser.add_argument("files", nargs="*")
    options.add_settings_options(parser)
    add_reader_options(parser)
    return parser.parse_args(words)


def test_nothing_given_is_nothing_known():
    args = parse("a.wav")
    assert options.settings_from(args) == Settings()


def test_everything_given_arrives():
    args = parse("a.wav", "--test", "prop", "--speed", "1797 rpm", "--blades", "2", "--poles", "14", "--slots", "12", "--sensor", "contact",
                 "--bearing", "9,7.94,39.04,0", "--bearing", "7,1.588,6.5", "--roles", "vibration,tacho", "--unit", "m/s2")  # fmt: skip
    settings = options.settings_from(args)
    assert settings == Settings("prop", 1797.0, 2, 14, 12, (Bearing(9, 7.94, 39.04, 0.0), Bearing(7, 1.588, 6.5)), "contact")
    # CWRU Bearing Data Center, drive end 6205-2RS: BPFO 3.585, BPFI 5.415 (Smith & Randall, MSSP 64-65 (2015) 100-131, table 2)
    assert settings.bearings[0].outer == pytest.approx(3.585, abs=5e-4)
    assert settings.bearings[0].inner == pytest.approx(5.415, abs=5e-4)
    reader = reader_from(args)
    assert (reader.roles, reader.unit) == (("vibration", "tacho"), "m/s2")


def test_a_calibrated_clock_narrows_the_interval_of_a_clean_speed(tmp_path, capsys):
    """100 ppm, which sound cards keep (common practice, no source), unless the owner knows better."""
    rate = 16_000
    turns = 43.7 * np.arange(8 * rate) / rate
    sound = sum(np.sin(2 * np.pi * k * turns) / k for k in (1, 2, 3)) + 0.01 * np.random.default_rng(1).standard_normal(turns.size)
    soundfile.write(tmp_path / "a.wav", 0.2 * sound, rate, subtype="FLOAT")

    def u95(*words):
        main(["analyze", str(tmp_path / "a.wav"), "--test", "bare", *words, "--json"])
        speed = json.loads(capsys.readouterr().out)["speed"]
        assert speed["rpm"] == pytest.approx(2622, abs=2 * speed["rpm_u95"])
        return speed["rpm_u95"]

    assert u95() == pytest.approx(0.95e-4 * 2622, rel=0.1)  # off by no more than 100 ppm, anywhere within
    assert u95("--clock", "2") < 0.05 * u95()
    assert main(["analyze", str(tmp_path / "a.wav"), "--clock", "0"]) == 2
    assert "clock is 0 ppm; it must be above 0 and at most 10 000" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("text", "rpm"), [("1797rpm", 1797), ("29.95Hz", 1797), ("29.95 hz", 1797), ("6e3RPM", 6000), (".5Hz", 30), ("+100rpm", 100)]
)
def test_a_speed_has_a_unit(text, rpm):
    assert options.parse_speed(text) == pytest.approx(rpm, rel=1e-12)


@pytest.mark.parametrize(
    "text", ["-5rpm", "0rpm", "1e6rpm", "1e400Hz", "-.5Hz", "1797", "29,95Hz", "fast", "", "nanrpm", "inf Hz", "5rpmx"]
)
def test_no_other_speed_passes(text):
    with pytest.raises(UsageError, match="speed") as caught:
        options.settings_from(parse("a.wav", "--speed", text))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    ["9,7.94", "9", "", "9,7.94,39.04,0,1", "9.5,7.94,39.04", "9,a,39", "3,1,5", "9,-1,5", "9,5,1", "9,nan,39", "9,1,inf", "9,1,5,90"],
)
def test_no_half_bearing_passes(text):
    with pytest.raises(UsageError, match="bearing") as caught:
        options.settings_from(parse("a.wav", "--bearing", text))
    assert "\n" not in str(caught.value)


def test_one_speed_serves_all_files():
    assert [s.speed_rpm for s in options.settings_each(parse("--speed", "600rpm"), 3)] == [600, 600, 600]
    assert [s.speed_rpm for s in options.settings_each(parse(), 2)] == [None, None]


@pytest.mark.parametrize("words", [("--speed", "10Hz,20Hz,30Hz"), ("--speed", "10Hz", "--speed", "20Hz", "--speed", "1800rpm")])
def test_speeds_go_one_a_file(words):
    assert [s.speed_rpm for s in options.settings_each(parse(*words), 3)] == [600, 1200, 1800]


@pytest.mark.parametrize("count", [1, 2, 4])
def test_speeds_that_do_not_fit_the_files_are_refused(count):
    with pytest.raises(UsageError, match="3 speeds for"):
        options.settings_each(parse("--speed", "10Hz,20Hz,30Hz"), count)


@pytest.mark.parametrize(
    ("option", "value"), [("--test", "spin"), ("--sensor", "ear"), ("--blades", "-2"), ("--poles", "13"), ("--slots", "0")]
)
def test_what_is_not_allowed_is_named(option, value):
    with pytest.raises(UsageError, match=value):
        options.settings_from(parse("a.wav", option, value))
