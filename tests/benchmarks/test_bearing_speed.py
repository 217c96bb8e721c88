"""The stages of the search for a bearing's pulses in 60 s of 48 kHz mono, float32, as ratios to one transform of the record timed in the
same run: machines differ."""

import numpy as np
import pytest
from scipy.fft import rfft

from tests.machine_sounds import bench
from tests.stopwatch import best_of, ratio_of
from vibekit.bearing import Bearing
from vibekit.clicks import find_clicks
from vibekit.envelope import envelope_spectrum, squared_envelope
from vibekit.kurtogram import kurtogram
from vibekit.pulses import bands_of, find_pulses
from vibekit.transform import Transform

RATE, SECONDS, SHAFT_HZ = 48_000, 60.0, 120.0
TURNS = (np.linspace(0, SECONDS, 12_000), SHAFT_HZ * np.linspace(0, SECONDS, 12_000))
BAND, *OCTAVES = bands_of(0.45 * RATE)


@pytest.fixture(scope="module")
def record():
    _, x = bench(0, SECONDS, RATE)
    return x.astype(np.float32)


@pytest.fixture(scope="module")
def transform(record):
    return Transform.of(record.copy(), RATE)


@pytest.fixture(scope="module")
def once(record):
    return best_of(lambda: rfft(record))


# quiet machine: 0.5, 0.6, 0.9, 0.1 and 0.2 transforms; limits leave room for a busy one
def test_each_stage_costs_about_a_transform(benchmark, transform, once):
    white = transform.whitened(*BAND)
    squared, rate = squared_envelope(white, *BAND)
    analytic, rate = white.analytic(*BAND)
    ratio = {
        "whitening": best_of(lambda: transform.whitened(*BAND), 3) / once,
        "squared envelope": best_of(lambda: squared_envelope(white, *BAND), 3) / once,
        "order spectrum": best_of(lambda: envelope_spectrum(squared, rate, TURNS, band_hz=BAND, max_order=30.0), 3) / once,
        "kurtogram": best_of(lambda: kurtogram(analytic, rate, BAND, narrowest_hz=15 * SHAFT_HZ), 3) / once,
        "clicks": best_of(lambda: find_clicks(squared, rate, ()), 3) / once,
    }
    benchmark.extra_info.update(ratio)
    benchmark.pedantic(lambda: squared_envelope(white, *BAND), rounds=3)
    assert all(value < 3 for value in ratio.values()), ratio


# 4 to 5 with the geometry and 5 to 6 without, whole band, four octaves and the kurtogram's
@pytest.mark.parametrize("bearings", [(Bearing(8, 1.9, 7.0),), ()], ids=["geometry known", "geometry not known"])
def test_the_whole_search_costs_a_few_transforms(benchmark, record, transform, bearings):
    def search():
        return find_pulses(transform, TURNS, bearings, top_hz=BAND[1], speed_u95=1e-4, leave_out_s=())

    benchmark.pedantic(search, rounds=3)
    ratio = ratio_of(search, lambda: rfft(record), 5)
    benchmark.extra_info["ratio to one rfft"] = ratio
    assert ratio < 8
