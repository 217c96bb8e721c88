"""Shafts faster than half the rate of their sensor: amplitude at the alias, what it could be else, and when none is given."""

import json
import math
import os
import re
from pathlib import Path

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lombscargle

from tests.open_data import FOLDER, needs_open_data
from tests.shaft_sounds import coloured
from vibekit.alias import fold, folded_lines, folded_orders, folded_problem
from vibekit.analysis import analyze
from vibekit.capture.files import read_recording
from vibekit.cli import main
from vibekit.errors import UsageError
from vibekit.low_pass import LowPass
from vibekit.reading import SpeedResult
from vibekit.recording import Channel, Recording, Source, Taken
from vibekit.rig import draw_craft, record
from vibekit.settings import Settings

CASES = int(os.environ.get("VIBEKIT_INTERVALS", "30"))
RATE, N = 99.3, 2000
TIME = np.arange(N) / RATE


def line(hz, amplitude, rng, sd=0.5, time=TIME):
    return amplitude * np.cos(2 * np.pi * hz * time + rng.uniform(0, 6.28)) + rng.normal(0, sd, len(time))


@pytest.mark.parametrize("errors", [6, 20])
@pytest.mark.parametrize("kind", ["white", "coloured"])
@pytest.mark.parametrize("count", [500, 2000])
def test_amplitude_and_interval_against_truth(count, kind, errors):
    """Lines of random frequency above half the rate; bound of the amplitude: sd sqrt(2 / n) (Kay 1993, example 3.14), `errors` of it."""
    rng = np.random.default_rng(count + errors)
    time, bound, inside, width = TIME[:count], 0.5 * math.sqrt(2 / count), [], []
    while len(inside) < CASES:
        hz = rng.uniform(60, 190)
        x = line(hz, errors * bound, rng, 0.0, time) + 0.5 * (rng.standard_normal(count) if kind == "white" else coloured(rng, count))
        found = fold(time, x, RATE, hz * (1 + rng.normal(0, 1e-4)), 2e-4 * hz, 1, "1x", "g")
        if not found.refused:
            inside.append(abs(found.amplitude - errors * bound) <= found.u95)
            width.append(found.u95)
    assert stats.binom(CASES, 0.93).ppf(0.001) <= sum(inside) <= stats.binom(CASES, 0.97).ppf(0.999)
    assert kind == "coloured" or np.median(width) < 1.25 * 1.96 * bound


def test_rows_at_uneven_times_against_lomb_and_scargle():
    """scipy's periodogram of the same rows, its amplitude normalisation (second implementation)."""
    rng = np.random.default_rng(1)
    time = np.sort(TIME + rng.normal(0, 0.001, N))
    x = line(133.0, 0.4, rng, 0.2, time)
    found = fold(time, x, RATE, 133.0, 0.01, 1, "1x", "g")
    power = lombscargle(time, x - x.mean(), 2 * np.pi * np.array([found.hz, 1.1 * found.hz]))
    assert found.amplitude == pytest.approx(math.sqrt(4 * power[0] / N), rel=0.01)  # A^2 n / 4
    assert found.amplitude == pytest.approx(0.4, abs=1.5 * found.u95)


def test_a_slow_sensor_reads_what_a_fast_one_reads():
    craft = draw_craft(2)
    recording, _ = record(craft, test="bare", sensor="accelerometer", rate_hz=4000.0, duration_s=10.0, tacho=True)
    turns = np.flatnonzero(recording.samples[1] > 0.5) / 4000.0
    hz = (len(turns) - 1) / (turns[-1] - turns[0])
    time = np.arange(recording.samples.shape[1]) / 4000.0
    fast = 2 * abs(np.mean(recording.samples[0] * np.exp(-2j * np.pi * hz * time)))
    slow = fold(time[::23], recording.samples[0, ::23].astype(float), 4000.0 / 23, hz, 0.05, 1, "1x", "m/s2")
    assert hz > 4000.0 / 46
    assert not slow.refused
    assert slow.amplitude == pytest.approx(fast, abs=slow.u95 + 0.1 * fast)  # the speed wanders a little; nothing filters


@pytest.mark.parametrize(
    ("hz", "u95", "why"),
    [
        (RATE, 0.01, "mirror image"),
        (1.5 * RATE + 0.05, 0.01, "mirror image"),
        (60.0, 1.8, "4x appears at the same place"),
        (2 * RATE / 3, 0.01, "2x and 4x appear at the same place"),
    ],
)
def test_no_amplitude_where_it_cannot_be_told(hz, u95, why):
    rng = np.random.default_rng(2)
    found = fold(TIME, line(hz, 1.0, rng), RATE, hz, u95, 1, "1x", "g")
    assert why in found.refused
    assert math.isnan(found.u95)


def test_noise_alone_gives_no_amplitude():
    rng = np.random.default_rng(3)
    said = [fold(TIME, rng.normal(0, 1, N), RATE, 113.0, 0.3, 1, "1x", "g").refused for _ in range(200)]
    assert sum(not words for words in said) <= 8  # one in a hundred is allowed for


def test_what_else_it_could_be_is_named():
    rng = np.random.default_rng(4)
    hz = RATE * 4 / 7  # 8x folds onto 1x, 6x too
    found = fold(TIME, line(hz, 1.0, rng), RATE, hz, 0.0001, 1, "1x", "g")
    assert {"6x", "8x"} <= set(found.could_be)
    assert not found.refused
    mains = fold(TIME, line(2 * RATE - 60.0, 1.0, rng), RATE, 2 * RATE - 60.0, 0.001, 1, "1x", "g")
    assert "mains at 60 Hz" in mains.could_be


def phone(hz, taken=None):
    rng = np.random.default_rng(5)
    x = np.stack([line(hz, 0.3, rng, 0.1), line(hz, 0.1, rng, 0.1)])
    channels = (Channel(unit="m/s2", name="x"), Channel(unit="m/s2", name="y"))
    return Recording(x, RATE, channels, Source(encoding="text"), 1e-3, TIME, taken=taken)


def test_a_reading_names_the_amplitude_only_where_the_filter_is_stated():
    plain = analyze(phone(113.0), Settings("bare", speed_rpm=6780.0, sensor="phone-motion"))
    (said,) = [p for p in plain.screening.problems if p.code == "alias" and p.detail.startswith("1x")]
    hz, seen = (float(number) for number in re.match(r"1x \((.+?) Hz\) appears at (.+?) Hz, ", said.detail).groups())
    assert (hz, seen) == pytest.approx((113.0, 113.0 - RATE), abs=0.02)
    assert float(said.detail.split(" Hz, ")[1].split(" ±")[0]) == pytest.approx(0.3, abs=0.01)
    assert "behind the sensor's own filter, which is not known" in said.detail
    assert plain.orders == ()
    stated = Settings("bare", speed_rpm=6780.0, sensor="phone-motion", sensor_filter=LowPass(120.0, 2))
    (one,) = analyze(phone(113.0), stated).orders
    assert one.name == "1x at its alias"
    gain = 1 / math.sqrt(1 + (113 / 120) ** 4)  # Butterworth of second order
    assert one.amplitude == pytest.approx(0.3 / gain, abs=1.5 * one.u95)


def test_rows_as_taken_are_read_and_not_the_grid():
    rng = np.random.default_rng(6)
    time = np.sort(TIME + rng.normal(0, 0.001, N))
    x = np.stack([line(113.0, 0.3, rng, 0.05, time)] * 2)
    recording = phone(113.0, Taken(time, x))
    flat = Recording(np.zeros_like(x), RATE, recording.channels, stamp_s=TIME, taken=recording.taken)
    found, _ = folded_orders(flat, Settings("bare"), SpeedResult("tacho", 6780.0, 1.0), slice(0, N))
    assert found.amplitude == pytest.approx(0.3, abs=1.5 * found.u95)


@pytest.mark.parametrize(
    "speed",
    [
        SpeedResult("estimated", 6780.0, 1.0),
        SpeedResult("none"),
        SpeedResult("tacho", 6780.0, 1.0, 6500.0, 7000.0),
        SpeedResult("typed", 1400.0, 1.0),
    ],
)
def test_nothing_is_said_of_a_speed_that_is_not_known_not_steady_or_slow(speed):
    assert folded_orders(phone(113.0), Settings("bare"), speed, slice(0, N)) == ()


def test_a_refusal_says_why_and_what_to_do():
    (found,) = folded_orders(phone(RATE), Settings("bare"), SpeedResult("tacho", 60 * RATE, 0.5), slice(0, N))[:1]
    said = folded_problem(found, Settings())
    assert said.severity == "warning"
    assert "Record at another speed or rate." in said.detail
    assert folded_lines([found], Settings(sensor_filter=LowPass(100.0))) == ()


def test_the_option_for_the_filter(tmp_path, capsys):
    path = tmp_path / "phone.csv"
    rows = phone(113.0).samples
    lines = [f"{t:.4f},{a:.4f},{b:.4f}\n" for t, a, b in zip(TIME, *rows, strict=True)]
    path.write_text("time_s,x (m/s2),y (m/s2)\n" + "".join(lines), encoding="utf-8")
    words = ["analyze", str(path), "--speed", "6780rpm", "--sensor", "phone-motion", "--json"]
    main([*words, "--sensor-filter", "120Hz,2"])
    assert [o["name"] for o in json.loads(capsys.readouterr().out)["orders"]] == ["1x at its alias"]
    assert main([*words, "--sensor-filter", "fast"]) == 2
    assert capsys.readouterr().err == "vibekit: sensor filter is 'fast'; write its half-power corner and its order, such as 260Hz,1\n"
    with pytest.raises(UsageError, match="order from 1 to 8"):
        LowPass(100.0, 9)


@needs_open_data
def test_open_phone_logs_read_2x_where_1x_puts_it():
    """An inverter-fed motor at 60 Hz: its shaft is below half the phone's rate and 2x above; twice the 1x of the same log is the truth."""
    seen = 0
    for file in sorted((Path(FOLDER) / "motors").glob("Motor1_*_*axis_60Hz.csv")):
        recording = read_recording(file)
        n = recording.samples.shape[1]
        part = slice(n // 4, 3 * n // 4)  # between the sync noise at the ends
        x = recording.samples[:, part] - recording.samples[:, part].mean(axis=1, keepdims=True)
        padded = np.abs(np.fft.rfft(x * np.hanning(x.shape[1]), 1 << 18, axis=1)).sum(axis=0)
        frequency = np.fft.rfftfreq(1 << 18, 1 / recording.rate_hz)
        band = (frequency > 28.5) & (frequency < 30.2)
        shaft = float(frequency[band][padded[band].argmax()])
        found = folded_orders(recording, Settings(), SpeedResult("typed", 60 * shaft, 3.0), part)
        for two in (f for f in found if f.order == 2 and not f.refused):
            seen += 1
            assert two.hz == pytest.approx(2 * shaft, abs=0.1)
            assert two.u95 < two.amplitude
    assert seen >= 3
