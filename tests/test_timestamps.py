"""Time lines of logs: against simulation, a general optimiser, and for phone logs against a steady clock and a microphone."""

import numpy as np
import pytest
import soundfile
from scipy.optimize import minimize

from tests.open_data import manifest, needs_open_data, path
from tests.textlogs import N, T, X, Y, table
from vibekit.capture.files import read_recording
from vibekit.capture.timestamps import time_line
from vibekit.capture.tube import least_bent


@pytest.fixture
def read(tmp_path):
    def read(content, name="wren.csv", **stated):
        file = tmp_path / name
        file.write_bytes(content if isinstance(content, bytes) else content.encode())
        return read_recording(file, **stated)

    return read


def tube_by_optimiser(low, high):
    """Shortest line through the tube by a general-purpose bounded optimiser (L-BFGS-B, scipy)."""

    def length(y):
        step = np.diff(y)
        long = np.sqrt(1 + step**2)
        return long.sum(), np.append(0, step / long) - np.append(step / long, 0)

    bounds = list(zip(low, high, strict=True))
    return minimize(length, (low + high) / 2, jac=True, bounds=bounds, method="L-BFGS-B", options={"ftol": 1e-15, "gtol": 1e-10}).x


def test_the_line_through_the_tube_is_the_shortest():
    rng = np.random.default_rng(2)
    for _ in range(40):
        n = int(rng.integers(3, 30))
        middle = np.cumsum(rng.uniform(0, 1, n))
        low, high = np.maximum.accumulate(middle - rng.uniform(0.05, 1, n)), np.maximum.accumulate(middle + rng.uniform(0.05, 1, n))
        low[[0, -1]] = high[[0, -1]] = middle[[0, -1]]  # ends fixed, so that the shortest is unique
        np.testing.assert_allclose(least_bent(low, high, 0.0), tube_by_optimiser(low, high), atol=2e-4)


@pytest.mark.parametrize(
    ("step", "jitter", "count"),
    [
        (0.033554432, 0, 1800), (1e-3, 0, 1800), (1e-3, 2e-4, 3000), (0, 3e-4, 1000), (1.0, 0, 3000), (0.01, 0, 500), (0.0084, 0, 1500),
        (1e-3, 0, 60),
    ],
    ids=["shared stamps", "ms", "ms and jitter", "jitter", "whole seconds", "one interval", "coarse", "short"],
)  # fmt: skip
def test_the_rate_interval_covers_the_truth(step, jitter, count):
    rng = np.random.default_rng(7)
    covered, width = [], []
    for _ in range(400):
        rate = rng.uniform(95, 105)
        time = rng.uniform(0, 1) + np.arange(count) / rate + jitter * rng.normal(size=count)
        line = time_line(np.floor(time / step) * step if step else time, step)
        covered.append(abs(line.rate_hz - rate) <= line.rate_u95_hz)
        width.append(line.rate_u95_hz / rate)
        assert line.is_even
    assert 0.92 <= np.mean(covered) <= 1  # 95 % give or take the scatter of 400 trials; rounding without jitter has a bound, so more
    assert np.median(width) < 1.2 / count  # never wider than one sample in the record


def test_lost_rows_and_shared_stamps_give_true_times():
    """The way phones write: a 100 Hz clock, one row in 200 lost, stamps rounded to 33.554 ms (a float32 count of nanoseconds)."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        kept = rng.random(2000) > 0.005
        truth = np.flatnonzero(kept) / 100 + rng.uniform(0, 0.1)
        line = time_line(np.floor(truth / 0.033554432) * 0.033554432)
        assert not line.is_even
        error = line.time_s - truth
        assert np.std(error) < 0.003  # a third of the sample interval, a tenth of the stamps' step
        assert line.rate_hz == pytest.approx((len(truth) - 1) / (truth[-1] - truth[0]), abs=line.rate_u95_hz)


def test_uneven_logs_keep_tone_rate_and_pulses(read):
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.uniform(0.5, 1.5, 4000)) / 100
    tone, pulse = np.sin(2 * np.pi * 20 * time), (np.arange(4000) % 5 == 0) * 1.0
    recording = read("time,x,tacho,rpm\n" + table(time, tone, pulse, 1200 + time))
    assert any(line.startswith("resampled") for line in recording.log)
    assert recording.rate_hz == pytest.approx(3999 / (time[-1] - time[0]), rel=1e-6)
    assert recording.samples.shape == (3, 4000)
    even = recording.stamp_s
    np.testing.assert_allclose(np.diff(even), 1 / recording.rate_hz, rtol=1e-6)
    wrong = recording.samples[0] - np.sin(2 * np.pi * 20 * even)
    assert np.sqrt(np.mean(wrong[50:-50] ** 2)) < 0.04  # of a sine of rms 0.71; intervals of 1.5 are bridged straight
    assert set(np.unique(recording.samples[1])) == {0.0, 1.0}
    np.testing.assert_allclose(recording.samples[2], 1200 + even, atol=1e-3)


def test_gaps_are_named_and_bridged_without_swings(read):
    late = T + (N > 200) * 0.08
    recording = read("time,x\n" + table(late, np.sin(2 * np.pi * 7 * late)))
    assert "gaps in the time stamps: 1, the longest 0.09 s, 2 s after the first row; rows missing: about 8" in recording.log
    assert np.abs(recording.samples).max() < 1.01
    long = read("time,x\n" + table(T + (N > 250) * 5.0, X))
    assert long.samples.shape == (1, 251)  # the longest stretch; what lies in a pause cannot be made up
    assert any(line.startswith("pauses in the time stamps: 1, the longest 5.01 s") for line in long.log)
    np.testing.assert_allclose(long.samples[0], X[:251], atol=6e-7)


def test_time_that_goes_back_cuts_the_log_and_neighbours_out_of_order_are_sorted(read):
    again = np.concatenate([T[:100], T[:300]])
    recording = read("time,x\n" + table(again, np.concatenate([Y[:100], X[:300]])))
    np.testing.assert_allclose(recording.samples[0], X[:300], atol=6e-7)
    assert any(line.startswith("time goes back from 0.99 s to 0 s") for line in recording.log)
    order = N.copy()
    order[[50, 51]] = 51, 50
    swapped = read("time,x\n" + table(T[order], X[order]))
    np.testing.assert_allclose(swapped.samples[0], X, atol=6e-7)
    assert "time stamps out of order in 1 places; rows sorted by time" in swapped.log


# Phone logs of one motor (VIBEKIT_OPEN_DATA): stamps rounded to 2^24 or 2^25 ns and shared, rows lost, a footer that is no row

PHONE = [row["file"] for row in manifest("motors") if row["file"].endswith(".csv")]


def steady_clock(stamp, step):
    """A second reading of the stamps: a steady clock with whole rows missing, as few breaks as will do; (breaks, times, clock rate)."""
    index = np.arange(len(stamp))
    best = (len(stamp), stamp, 0.0)
    for rate in np.arange(99.9, 100.1, 0.02):
        low = (stamp - index / rate - 5e-4).tolist()
        high = (stamp + step - index / rate + 5e-4).tolist()
        offset = np.empty(len(stamp))
        floor, ceiling, start, breaks = low[0], high[0], 0, 0
        for i in range(1, len(stamp)):
            if max(floor, low[i]) > min(ceiling, high[i]):
                offset[start:i] = (floor + ceiling) / 2
                floor, ceiling, start, breaks = low[i], high[i], i, breaks + 1
            floor, ceiling = max(floor, low[i]), min(ceiling, high[i])
        offset[start:] = (floor + ceiling) / 2
        if breaks < best[0]:
            best = (breaks, index / rate + offset, rate)
    return best


def tone(time, samples, low, high):
    """Amplitude and frequency of the strongest sine between two frequencies, by least squares on a 2 mHz grid."""
    found = []
    for f in np.arange(low, high, 0.002):
        basis = np.column_stack([np.cos(2 * np.pi * f * time), np.sin(2 * np.pi * f * time), np.ones(len(time))])
        found.append((float(np.hypot(*np.linalg.lstsq(basis, samples, rcond=None)[0][:2])), f))
    return max(found)


def stamps_of(name):
    data = np.loadtxt(path(name), delimiter=",", skiprows=1)[:-1]  # without the footer 111,111,111,111
    return data[:, 0] / 1e3, data[:, 1:].T


@needs_open_data
def test_every_phone_log_gives_its_mean_rate():
    """Rows over the time they took. 99.3 Hz, the publisher's figure, is right for all logs together: single ones lose 0 to 1.5 % of
    the 100 rows a second, start-up included."""
    rates = []
    for name in PHONE:
        recording = read_recording(path(name))
        stamp, samples = stamps_of(name)
        assert recording.rate_hz == pytest.approx((len(stamp) - 1) / (stamp[-1] - stamp[0]), rel=0.003)
        assert recording.rate_u95_hz < 0.003 * recording.rate_hz
        assert recording.samples.shape == samples.shape
        assert {c.unit for c in recording.channels} == {"m/s2"}  # told by gravity; the publisher says so too
        for words in ("time goes back", "time stamps move in steps of", "resampled"):  # the first for a footer of 111,111,111,111
            assert any(line.startswith(words) for line in recording.log)
        rates.append(recording.rate_hz)
    assert np.mean(rates) == pytest.approx(99.3, rel=0.003)


@needs_open_data
@pytest.mark.parametrize("name", PHONE[::8])
def test_a_steady_clock_with_rows_missing_gives_the_same_rate(name):
    stamp, _ = stamps_of(name)
    rise = np.diff(stamp)
    _, times, clock_hz = steady_clock(stamp, np.median(rise[rise > 0]))
    assert clock_hz == pytest.approx(100, abs=0.09)
    assert read_recording(path(name)).rate_hz == pytest.approx((len(times) - 1) / (times[-1] - times[0]), rel=0.003)


@needs_open_data
def test_phone_and_microphone_agree_on_shaft_speed():
    """The same motor at 50 Hz inverter frequency, by microphone at 44.1 kHz: an outside check of the time line to 0.1 %."""
    sound, rate = soundfile.read(path("motors/Motor1_UnbalancedRotor_4WeightsHi-Fi_07_7cm_50Hz.wav"), dtype="float64")
    slow = np.add.reduceat(sound, np.arange(0, len(sound), 441)) / 441
    heard = tone(np.arange(len(slow)) * 441 / rate, slow, 24.7, 25.05)[1]
    for axis, channel in (("Yaxis", 2), ("Zaxis", 0)):
        recording = read_recording(path(f"motors/Motor1_UnbalancedRotor_4Weights_{axis}_50Hz.csv"))
        felt = tone(recording.stamp_s, recording.samples[channel], 24.7, 25.05)[1]
        assert felt == pytest.approx(heard, rel=1e-3)
        assert felt * np.median(np.diff(recording.stamp_s)) * recording.rate_hz == pytest.approx(felt, rel=1e-6)


@needs_open_data
@pytest.mark.parametrize(
    ("name", "channel"),
    [
        ("UnbalancedRotor_4Weights_Yaxis", 0), ("UnbalancedRotor_4Weights_Yaxis", 2), ("UnbalancedRotor_4Weights_Zaxis", 0),
        ("UnbalancedRotor_4Weights_Zaxis", 1), ("Healthy_Yaxis", 2), ("BrokenRotorBar_Zaxis", 0), ("UnbalancedRotor_2Weights_Yaxis", 2),
    ],
)  # fmt: skip
def test_phone_logs_keep_the_amplitude_of_1x(name, channel):
    """Against a least-squares sine on the times of the steady clock; on an even grid without them 40 % of it would be lost."""
    name = f"motors/Motor1_{name}_50Hz.csv"
    recording = read_recording(path(name))
    stamp, samples = stamps_of(name)
    rise = np.diff(stamp)
    _, times, _ = steady_clock(stamp, np.median(rise[rise > 0]))
    true = tone(times, samples[channel], 24.8, 25.05)[0]
    even = np.arange(recording.samples.shape[1]) / recording.rate_hz
    assert tone(even, recording.samples[channel], 24.8, 25.05)[0] == pytest.approx(true, rel=0.02)
    naive = np.arange(len(stamp)) / 99.3
    assert tone(naive, samples[channel], 24.6, 25.05)[0] < 0.8 * true
