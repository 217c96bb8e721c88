"""Flights with one cut propeller: UAV propeller anomaly audio data set, Technology Innovation Institute (ICASSP 2022)."""

import pytest

from tests.open_data import analyzed, manifest, needs_open_data, path

pytestmark = needs_open_data
BASELINE = ("flights/0000_01_ch1.wav", "flights/0000_02_ch1.wav", "flights/0000_03_ch1.wav")
HEALTHY = ("healthy", "undecided")


def flown(capsys, name, *more):
    words = ("--test", "flight", "--blades", "2", *more)
    return analyzed(capsys, path(name), *words, "--baseline", *map(path, BASELINE))["conclusion"]["condition"]


def test_every_broken_propeller_is_found_and_no_healthy_flight_is_called_broken(capsys):
    for row in manifest("flights"):
        if row["file"] in BASELINE:
            continue
        named = flown(capsys, row["file"])
        if row["fault"] == "0000":
            assert named in HEALTHY, (row["file"], named)
        else:
            assert named in ("prop-imbalance", "blade-damage"), (row["file"], named)


@pytest.mark.parametrize("words", [(), ("--blades", "2"), ("--test", "flight")])
def test_less_said_about_the_flight_never_makes_a_healthy_one_broken(capsys, words):
    for row in manifest("flights/0000"):
        if row["file"] not in BASELINE:
            result = analyzed(capsys, path(row["file"]), *words, "--baseline", *map(path, BASELINE))
            assert result["conclusion"]["condition"] in HEALTHY
