"""Order spectra of signals made at known truth."""

import numpy as np
import pytest

from vibekit.hover import hover_speed
from vibekit.order_line import order_lines
from vibekit.orders import angular_signal
from vibekit.rig import draw_craft, record
from vibekit.transform import Transform

RATE = 24000
N = 3 * RATE
TIME = np.arange(N) / RATE


def spectrum_of(x, turns, **how):
    every = slice(None, None, 120)
    signal = angular_signal(Transform.of(x.astype(np.float32), RATE), (TIME[every], turns[every]), max_order=32, unit="FS")
    return signal.spectrum(**how)


@pytest.mark.parametrize("swing_hz", [0.0, 3.0, 20.0], ids=["steady", "wandering", "changing"])
def test_amplitudes_are_right_whether_the_speed_is_steady_or_not(swing_hz):
    turns = np.cumsum(150 + swing_hz * np.sin(2 * np.pi * 0.3 * TIME)) / RATE
    x = 0.5 * np.cos(2 * np.pi * turns) + 0.2 * np.cos(4 * np.pi * turns + 1) + 0.05 * np.cos(28 * np.pi * turns)
    spectrum = spectrum_of(x + np.random.default_rng(0).normal(0, 0.05, N), turns)
    for order, amplitude in ((1.0, 0.5), (2.0, 0.2), (14.0, 0.05)):
        (found,) = order_lines(spectrum, [(order, "", 0.0)])
        assert found.amplitude == pytest.approx(amplitude, rel=0.01, abs=found.u95)
    assert order_lines(spectrum, [(5.0, "", 0.0)])[0].amplitude < 0.01


def test_mean_speed_of_four_rotors_in_flight():
    right = said = 0
    for seed in range(30):
        craft = draw_craft(seed)
        recording, truth = record(craft, test="flight")
        found = hover_speed([recording.samples[0]], recording.rate_hz, craft.blades if seed % 2 else None)
        if found is not None:
            said += 1
            right += abs(found[0] / truth.speed_hz.mean() - 1) < 0.1
    assert said >= 20
    assert right >= 0.9 * said  # blades all alike may leave nothing but multiples of their count: then a multiple is found
