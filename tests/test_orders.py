"""Order spectra and envelope combs of signals made at known truth."""

import numpy as np
import pytest

from vibekit.bearing import Bearing
from vibekit.envelope import comb_at, envelope_spectrum, family, squared_envelope
from vibekit.hover import hover_speed
from vibekit.levels import line
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
        found = line(spectrum, order, "")
        assert found.amplitude == pytest.approx(amplitude, rel=0.01, abs=found.u95)
    assert line(spectrum, 5.0, "").amplitude < 0.01


def test_intervals_of_a_line_cover_the_truth():
    rng = np.random.default_rng(1)
    turns = 150 * TIME
    inside = 0
    for _ in range(200):
        found = line(spectrum_of(0.1 * np.cos(2 * np.pi * turns + rng.uniform(0, 6.28)) + rng.normal(0, 0.3, N), turns), 1.0, "")
        inside += abs(found.amplitude - 0.1) <= found.u95
    assert inside >= 0.90 * 200  # 95 % less three standard errors of 200 trials


def envelope(x, turns_hz):
    transform = Transform.of(x.astype(np.float32), RATE)
    squared, rate = squared_envelope(transform, 3000.0, 10000.0)
    time = np.linspace(0, N / RATE - 1e-3, 400)
    return envelope_spectrum(squared, rate, (time, turns_hz * time), band_hz=(3000.0, 10000.0), max_order=30)


def test_strikes_with_slip_are_found_at_their_order_and_noise_is_not():
    # strikes at the outer race's order with 1 % random slip ring at 5 kHz: model of Randall & Antoni, MSSP 25 (2011), section 2
    rng = np.random.default_rng(2)
    bearing = Bearing(8, 1.9, 7.0)
    gaps = rng.normal(1, 0.01, 3000) / (bearing.outer * 100.0)
    at = (np.cumsum(gaps) * RATE).astype(int)
    struck = np.zeros(N)
    struck[at[at < N]] = 1.0
    ring = np.exp(-np.arange(400) / 60.0) * np.sin(2 * np.pi * 5000 * np.arange(400) / RATE)
    noise = rng.normal(0, 0.2, N)
    hurt = envelope(np.convolve(struck, ring)[:N] + noise, 100.0)
    assert comb_at(hurt, bearing.outer).score > 14
    assert comb_at(hurt, bearing.outer).order == pytest.approx(bearing.outer, rel=0.01)
    assert comb_at(hurt, bearing.inner, explained=family(comb_at(hurt, bearing.outer).order, bearing.cage, 30.0)).score < 9
    assert comb_at(envelope(noise, 100.0), bearing.outer).score < 9


def test_a_line_of_noise_surprises_as_often_as_it_says():
    # exact: a bin of one periodogram of noise is exponential (chi-square with two degrees of freedom, Abboud et al., MSSP 84 (2017))
    spectrum = envelope(np.random.default_rng(3).normal(0, 1, N), 100.0)
    orders = np.arange(1.0, 28.0, 0.05)
    surprise = spectrum.surprise(orders, np.full(orders.shape, 0.004))
    assert np.mean(surprise > 1) == pytest.approx(0.10, abs=0.05)
    assert np.mean(surprise > 2) < 0.03


def test_mean_speed_of_four_rotors_in_flight():
    right = said = 0
    for seed in range(30):
        recording, truth = record(draw_craft(seed), test="flight")
        found = hover_speed([recording.samples[0]], recording.rate_hz)
        if found is not None:
            said += 1
            right += abs(found[0] / truth.speed_hz.mean() - 1) < 0.1
    assert said >= 20
    assert right >= 0.8 * said  # blades all alike may leave nothing but multiples of their count: then a multiple is found
