"""The whole engine on a minute of 48 kHz sound: screening, speed, orders, kurtogram, envelope, diagnosis, as a ratio to one transform of
the record timed in the same run; and the memory it needs beside the record."""

import tracemalloc

import numpy as np
import pytest
from scipy.fft import rfft

from tests.stopwatch import best_of
from vibekit.analysis import analyze
from vibekit.bearing import Bearing
from vibekit.diagnosis import diagnose
from vibekit.recording import Channel, Recording, Source
from vibekit.settings import Settings

RATE, N = 48_000, 2_880_000
KNOWN = Settings(test="prop", blades=2, poles=14, slots=12, bearings=(Bearing(7, 1.588, 6.5),), sensor="microphone")


@pytest.fixture(scope="module")
def minute():
    rng = np.random.default_rng(0)
    time = np.arange(N) / RATE
    turn = 2 * np.pi * np.cumsum(150 + 2 * np.sin(time / 7)) / RATE
    sound = 0.2 * np.sin(turn) + 0.05 * np.sin(2 * turn) + 0.02 * np.sin(3 * turn) + rng.normal(0, 0.02, N)
    return Recording(sound.astype(np.float32)[None], float(RATE), (Channel(),), Source(encoding="FLOAT"))


# quiet machine, a transform of 26 ms: 18 and 20; the aim is 12
@pytest.mark.parametrize(("settings", "most"), [(KNOWN, 26), (Settings(test="prop"), 28)], ids=["geometry known", "geometry searched"])
def test_a_minute_costs_a_dozen_transforms(benchmark, minute, settings, most):
    def judge():
        return diagnose([analyze(minute, settings)])

    assert benchmark.pedantic(judge, rounds=5, warmup_rounds=1).conclusion.condition == "undecided"  # nothing to compare with
    once = 10  # as long as the engine, so that both meet the same neighbours
    ratio = once * best_of(judge) / best_of(lambda: [rfft(minute.samples[0], workers=1) for _ in range(once)])
    benchmark.extra_info["ratio to one rfft"] = ratio
    assert ratio < most


def test_a_minute_needs_eight_times_its_memory_at_most(minute):
    analyze(minute, KNOWN)
    tracemalloc.start()
    analyze(minute, KNOWN)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert most < 8 * minute.samples.nbytes
