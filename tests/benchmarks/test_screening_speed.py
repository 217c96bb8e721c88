"""Screening 60 s of 48 kHz mono, float32, as a ratio to one transform of the record timed in the same run: machines differ."""

import tracemalloc

import pytest
from scipy.fft import rfft

from tests.machine_sounds import bench, recorded
from tests.stopwatch import best_of, ratio_of
from vibekit.screening import leave_out, look_at, screen, steady_part
from vibekit.settings import Settings

ANY = Settings(test="prop", sensor="microphone")


@pytest.fixture(scope="module")
def recording():
    _, x = bench(0, 60.0)
    return recorded(x, 48_000)


# quiet machine: 2 transforms
def test_screening_costs_a_few_transforms(benchmark, recording):
    benchmark.pedantic(lambda: screen(recording, ANY), rounds=7, warmup_rounds=1)
    ratio = ratio_of(lambda: screen(recording, ANY), lambda: rfft(recording.samples[0]))
    benchmark.extra_info["ratio to one rfft"] = ratio
    assert ratio < 4


def test_asking_for_the_part_to_look_at_costs_little_more_when_looked_at_once(recording):
    look = look_at(recording, ANY)
    extra = best_of(lambda: (steady_part(recording, ANY), leave_out(recording, ANY, look)))
    assert extra < 1.0 * best_of(lambda: rfft(recording.samples[0]))


def test_screening_holds_no_second_copy_in_double_precision(recording):
    screen(recording, ANY)
    tracemalloc.start()
    try:
        screen(recording, ANY)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 2 * recording.samples.nbytes
