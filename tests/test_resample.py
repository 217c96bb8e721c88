"""Reading a record at any times and at equal angles: values between samples, and what may fold into the orders."""

import numpy as np
import pytest
from scipy.signal import windows

from vibekit.orders import angular_signal
from vibekit.resample import CLEAN, QUICK, read_at
from vibekit.transform import Transform

RATE, N = 8000.0, 16_000
TIME = np.arange(N) / RATE


@pytest.mark.parametrize(("kernel", "most"), [(CLEAN, 1.8e-5), (QUICK, 1e-3)], ids=["-95 dB", "-60 dB"])
@pytest.mark.parametrize("dtype", [np.float32, np.float64])
@pytest.mark.parametrize("hz", [50.0, 400.0, 900.0, 1500.0, 1990.0])
def test_a_tone_between_its_samples(dtype, hz, kernel, most):
    """Exact: a cosine that fits the record whole can be read anywhere (sampling theorem)."""
    transform = Transform.of(np.cos(2 * np.pi * hz * TIME + 1).astype(dtype), RATE)
    at = np.random.default_rng(0).uniform(0, TIME[-1], 5000)
    assert np.abs(read_at(transform, at, 2000.0, kernel) - np.cos(2 * np.pi * hz * at + 1)).max() < most


def test_what_lies_above_the_cut_off_is_not_there():
    transform = Transform.of(np.cos(2 * np.pi * 2010.0 * TIME), RATE)
    assert np.abs(read_at(transform, np.linspace(0, TIME[-1], 999), 2000.0)).max() < 1e-9


def highest_db(signal, but):
    """Highest line of the angular signal's spectrum below its highest order, in dB of a line of amplitude 1, near no order in `but`."""
    window = windows.blackmanharris(len(signal.samples), sym=False)  # side lobes below -92 dB: Harris, Proc. IEEE 66 (1978) 51-83
    level = 2 * np.abs(np.fft.rfft(signal.samples * window)) / window.sum()
    order = np.arange(level.size) * signal.per_turn / len(signal.samples)
    seen = (order > 0.5) & (order < signal.max_order) & np.all(np.abs(order[:, None] - np.array(but)) > 0.3, axis=1)
    return 20 * np.log10(level[seen].max())


@pytest.mark.parametrize("order", [3.0, 11.0, 24.0, 33.3, 47.0])
def test_aliases_of_an_order_stay_below_80_db(order):
    turns = 70.0 * TIME
    transform = Transform.of(np.cos(2 * np.pi * order * turns), RATE)
    signal = angular_signal(transform, (TIME[::50], turns[::50]), max_order=48, unit="g")
    assert highest_db(signal, [order]) < -80


@pytest.mark.parametrize("hz", [2000.0, 2900.0, 3900.0])
def test_a_tone_above_the_orders_does_not_fold_into_them_in_a_run_up(hz):
    """At 20 turns a second 2 000 Hz is order 100; read 2.6 x 48 times a turn it would appear as order 25."""
    turns = 20.0 * TIME + 10.0 * TIME**2  # 20 to 60 turns a second
    gate = np.clip((1.0 - TIME) / 0.2, 0, 1)  # while the shaft is slow: above order 48 all the time
    x = np.cos(2 * np.pi * hz * TIME) * np.sin(np.pi / 2 * gate) ** 2
    signal = angular_signal(Transform.of(x, RATE), (TIME[::50], turns[::50]), max_order=48, unit="g")
    slow = signal.samples[signal.at_s < 0.7]
    block = slow[: len(slow) // signal.per_turn * signal.per_turn]
    level = 2 * np.abs(np.fft.rfft(block * windows.blackmanharris(len(block), sym=False))) / len(block) / 0.35875
    order = np.arange(level.size) * signal.per_turn / len(block)
    if hz < 1.05 * 48 * 60:
        assert level[order > 55].max() > 0.05  # it is there, above the orders
    assert 20 * np.log10(level[order < 45].max()) < -80
