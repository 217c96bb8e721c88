"""Wind, told from shafts."""

import numpy as np

from tests.machine_sounds import bench, machine, recorded
from tests.screened import SLOWER, found, share
from vibekit.settings import Settings


def test_wind_is_told_from_a_slow_shaft():
    def windy(seed):
        rng, x = bench(seed, 6, SLOWER)
        f = np.fft.rfftfreq(x.size, 1 / SLOWER)
        gusts = np.fft.irfft(np.fft.rfft(rng.standard_normal(x.size)) * (f > 1) / np.maximum(f, 1) ** 1.5, x.size)
        return recorded(0.3 * x + gusts / gusts.std() * x.std(), SLOWER)

    assert share(windy, "wind", severity="warning") >= 0.9
    for seed in range(8):
        rng = np.random.default_rng(seed)
        slow = 0.2 * machine(rng, SLOWER, 6, shaft=rng.uniform(4, 20), struck=False)
        assert "wind" not in found(recorded(slow, SLOWER))
    assert "wind" not in found(windy(0), Settings(sensor="contact"))
