"""Finding the shaft speed, as a ratio to one transform of the record timed in the same run: machines differ."""

import numpy as np
import pytest
from scipy.fft import rfft

from tests.shaft_sounds import coloured, orders, walk
from tests.stopwatch import ratio_of
from vibekit.recording import Channel, Recording
from vibekit.settings import Settings
from vibekit.speed import find_speed

LEVEL_DB = {1: -8, 2: 0, 3: -12, 4: -6, 6: -12, 7: -15}


def bench(seconds, rate, wander):
    rng = np.random.default_rng(1)
    speed = walk(rng, int(seconds * rate), rate, 123.4, wander)
    samples = (orders(rng, speed, rate, LEVEL_DB) + coloured(rng, speed.size)).astype(np.float32)
    return Recording(samples[None], rate, (Channel(),)), speed.mean()


# 25 and 160 transforms for 2.5 s typed and free, 5 and 5 to 8 for 60 s; free, in doubt between a shaft and its half, at three resolutions
@pytest.mark.parametrize(
    ("seconds", "rate", "wander", "settings", "most"),
    [
        (2.5, 24_000, 1e-4, Settings(test="prop", blades=2, speed_rpm=7_450), 60),
        (2.5, 24_000, 1e-4, Settings(), 230),
        (60.0, 48_000, 2e-3, Settings(test="prop", blades=2, speed_rpm=7_450), 12),
        (60.0, 48_000, 2e-3, Settings(), 16),
    ],
    ids=["2.5 s typed", "2.5 s free", "60 s typed", "60 s free"],
)
def test_a_speed_costs_a_few_transforms(benchmark, seconds, rate, wander, settings, most):
    recording, mean = bench(seconds, rate, wander)
    track = benchmark.pedantic(lambda: find_speed(recording, settings), rounds=5, warmup_rounds=1)
    assert track.mean_hz == pytest.approx(mean, rel=3e-4)
    once = max(1, int(30 / seconds))  # as long as the search, so that both meet the same neighbours
    ratio = once * ratio_of(lambda: find_speed(recording, settings), lambda: [rfft(recording.samples[0]) for _ in range(once)], 7)
    benchmark.extra_info["ratio to one rfft"] = ratio
    assert ratio < most
