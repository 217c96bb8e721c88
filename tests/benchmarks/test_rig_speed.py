"""2.5 s at 24 kHz from the rig, as a ratio to one transform of the same length timed in the same run: machines differ."""

import numpy as np
import pytest
from scipy.fft import rfft

from tests.stopwatch import best_of
from vibekit.rig import Fault, draw_craft, record


# quiet machine: 12 ms healthy, 19 ms loose, where one transform takes 0.32 ms
@pytest.mark.parametrize("condition", ["healthy", "bearing-grit", "loose-mount"])
def test_a_take_costs_a_few_dozen_transforms(benchmark, condition):
    craft, fault = draw_craft(0), Fault(condition, 4.0)
    take = iter(range(1000))

    def run():
        return record(craft, take=next(take), fault=fault)

    recording, _ = benchmark.pedantic(run, rounds=9, warmup_rounds=2)
    noise = np.random.default_rng(0).standard_normal(recording.samples.shape[1])
    ratio = 40 * best_of(run) / best_of(lambda: [rfft(noise) for _ in range(40)])  # as long as a take, so both meet the same neighbours
    benchmark.extra_info["ratio to one rfft"] = ratio
    assert ratio < 100
