"""Vold-Kalman tracking: the filter it is, run-ups through resonances, crossing and close orders, and its intervals."""

import numpy as np
import pytest
from scipy import sparse
from scipy.sparse.linalg import spsolve

from vibekit.errors import UsageError
from vibekit.tracking import structural_weight, track_orders

RATE = 2000.0
N = 20_000  # ten seconds
TIME = np.arange(N) / RATE
TURNS = 10 * TIME + 9.5 * TIME**2  # a run-up from 10 to 200 Hz
SPEED = 10 + 19 * TIME


@pytest.mark.parametrize(("poles", "r"), [(1, 20.48708), (2, 652.151), (3, 20759.46)])
def test_the_structural_weight_is_the_published_one(poles, r):
    # Tuma, Proc. 12th Int. Congress on Sound and Vibration, Lisbon 2005; 10 Hz at 1 000 samples a second
    assert np.sqrt(structural_weight(10.0, 1000.0, poles)) == pytest.approx(r, rel=1e-6)


@pytest.mark.parametrize(("poles", "constant"), [(1, 1.287), (2, 1.6045), (3, 1.7268)])
def test_short_form_of_the_bandwidth(poles, constant):
    # BW = fs / (2 pi) c r^(-1/p) for small angles; the constants that Tuma prints (1.58, 1.70) are 1.5 % low
    r = np.sqrt(structural_weight(1.0, 1000.0, poles))
    assert 1000 / (2 * np.pi) * constant * r ** (-1 / poles) == pytest.approx(1.0, rel=1e-3)


def textbook(x, rate, turns, bandwidth, poles):
    """The equations as published, an envelope value a sample, both quadratures of a real signal; solved by a general sparse solver."""
    n = len(x)
    differences = sparse.eye_array(n, format="csr")
    for _ in range(poles):
        differences = differences[1:] - differences[:-1]
    smooth = sparse.kron(sparse.eye_array(2 * len(turns)), structural_weight(bandwidth, rate, poles) * differences.T @ differences)
    columns = [wave for angle in turns for wave in (np.cos(2 * np.pi * angle), -np.sin(2 * np.pi * angle))]
    waves = sparse.hstack([sparse.diags_array(column) for column in columns])
    parts = spsolve(sparse.csc_array(smooth + 2 * waves.T @ waves), 2 * waves.T @ x).reshape(-1, 2, n)
    return parts[:, 0] + 1j * parts[:, 1]


@pytest.mark.parametrize("poles", [2, 3])
def test_the_knots_change_nothing_against_a_value_a_sample(poles):
    n, rate = 1500, 500.0
    time = np.arange(n) / rate
    turns = [20 * time + 6 * time**2, 44 * time]  # they cross at 2 s
    x = np.cos(2 * np.pi * turns[0]) * (1 + 0.3 * np.sin(4 * time)) + 0.5 * np.cos(2 * np.pi * turns[1] + 1)
    x = x + np.random.default_rng(0).normal(0, 0.2, n)
    whole = textbook(x, rate, turns, 3.0, poles)
    for found, wanted in zip(track_orders(x, rate, turns, 3.0, poles=poles), whole, strict=True):
        at = np.minimum(np.rint(found.time_s * rate).astype(int), n - 1)
        away = np.abs(found.amplitude * np.exp(1j * found.phase) - wanted[at])
        assert away.max() < 0.01  # of amplitudes 1 and 0.5, with intervals of 0.035 and more
        assert found.amplitude_u95.min() > 0.03


def through_modes(order, modes, scale):
    """(n,) complex: force as speed squared at one order of the run-up, through a mass line and modes (frequency, damping).

    Convolution at four times the rate; accelerance as in Ewins, Modal Testing (2000), eq. 2.43 with viscous damping.
    """
    fine = np.arange(4 * N) / (4 * RATE)
    force = scale * ((10 + 19 * fine) / 100) ** 2 * np.exp(2j * np.pi * order * (10 * fine + 9.5 * fine**2))
    frequency = np.fft.fftfreq(8 * N, 1 / (4 * RATE))
    gain = 0.3 + sum(-0.5 * frequency**2 / (f**2 - frequency**2 + 2j * z * f * frequency) for f, z in modes)
    return np.fft.ifft(np.fft.fft(force, 8 * N) * gain)[: 4 * N : 4]


@pytest.mark.parametrize(("mode", "sd"), [(25.0, 0.01), (50.0, 0.02), (110.0, 0.05)])
def test_a_run_up_through_resonances(mode, sd):
    rng = np.random.default_rng(int(mode))
    truth = {k: through_modes(k, [(mode, 0.05), (320.0, 0.06)], a) for k, a in ((1, 1.0), (2, 0.5), (3, 0.3))}
    x = sum(y.real for y in truth.values()) + rng.normal(0, sd, N)
    found = track_orders(x, RATE, [k * TURNS for k in truth], np.minimum(0.4 * SPEED, 25.0))
    for order, (k, y) in zip(found, truth.items(), strict=True):
        inside = (order.time_s > 0.3) & (order.time_s < 9.7)
        still = y * np.exp(-2j * np.pi * k * TURNS)
        true = np.interp(order.time_s, TIME, still.real) + 1j * np.interp(order.time_s, TIME, still.imag)
        off = np.abs(order.amplitude - np.abs(true))[inside]
        turned = np.abs(np.angle(np.exp(1j * (order.phase - np.angle(true)))))[inside]
        bound = order.amplitude_u95[inside] / 1.96
        assert np.mean(off <= np.maximum(0.01 * np.abs(true[inside]), 3 * bound)) >= 0.95
        assert np.mean(turned <= np.maximum(np.radians(2), 3 * order.phase_u95[inside] / 1.96)) >= 0.95
        assert np.mean(off <= order.amplitude_u95[inside]) >= 0.85  # points of one run-up hang together


@pytest.mark.parametrize("poles", [2, 3])
@pytest.mark.parametrize("ratio", [1.0, 1 / 3, 3.0])
def test_orders_that_cross(poles, ratio):
    growing = (SPEED / 60) ** 2
    for seed in range(3):
        rng = np.random.default_rng(seed)
        a, b = rng.uniform(0, 2 * np.pi, 2)
        x = growing * np.cos(10 * np.pi * TURNS + a) + ratio * np.cos(600 * np.pi * TIME + b) + rng.normal(0, 0.02, N)
        found = track_orders(x, RATE, [5 * TURNS, 300 * TIME], 6.0, poles=poles)
        for order, true in zip(found, (np.interp(found[0].time_s, TIME, growing), ratio), strict=True):
            through = np.abs(order.time_s - 50 / 19) < 1.5
            limit = np.maximum(0.02 * true, 3 * order.amplitude_u95 / 1.96)
            assert np.mean((np.abs(order.amplitude - true) <= limit)[through]) >= 0.99


@pytest.mark.parametrize("ratio", [1.0, 1 / 3])
def test_two_shafts_half_a_hertz_apart(ratio):
    for seed in range(6):
        rng = np.random.default_rng(seed)
        a, b = rng.uniform(0, 2 * np.pi, 2)
        x = np.cos(200 * np.pi * TIME + a) + ratio * np.cos(201 * np.pi * TIME + b) + rng.normal(0, 0.1, N)
        found = track_orders(x, RATE, [100 * TIME, 100.5 * TIME], 0.1)
        for order, true in zip(found, (1.0, ratio), strict=True):
            assert np.all(np.abs(order.amplitude - true) <= np.maximum(0.02 * true, 3 * order.amplitude_u95 / 1.96))


@pytest.mark.parametrize("amplitude", [0.0, 0.03, 0.05, 0.3])
def test_intervals_cover_the_truth(amplitude):
    """60 records of 10 s with some 20 independent stretches each: 1 200 cases; at 0.03 the line is two standard deviations."""
    inside, phases = [], []
    rng = np.random.default_rng(7)
    for _ in range(60):
        phase = rng.uniform(-np.pi, np.pi)
        x = amplitude * np.cos(200 * np.pi * TIME + phase) + rng.normal(0, 0.3, N)
        (order,) = track_orders(x, RATE, [100 * TIME], 2.0)
        inside.append(np.abs(order.amplitude - amplitude) <= order.amplitude_u95)
        phases.append(np.abs(np.angle(np.exp(1j * (order.phase - phase)))) <= order.phase_u95)
    if amplitude > 0.04:
        assert 0.93 <= np.mean(inside) <= 0.97
        assert 0.92 <= np.mean(phases) <= 0.98
    else:
        assert np.mean(inside) >= 0.94  # lines that small are covered at least as often


def test_width_against_the_noise_that_passes_the_filter():
    # exact: the sd of the amplitude in noise of one-sided density S is root of S times the integral of H^2 (Parseval)
    (order,) = track_orders(np.random.default_rng(3).normal(0, 0.3, N) + np.cos(200 * np.pi * TIME), RATE, [100 * TIME], 2.0)
    f = np.linspace(-40, 40, 80_001)
    gain = 1 / (1 + (np.sqrt(2) - 1) * np.abs(f) ** 4)
    sd = np.sqrt(2 * 0.09 / RATE * np.trapezoid(gain**2, f))
    middle = (order.time_s > 1) & (order.time_s < 9)
    assert np.median(order.amplitude_u95[middle]) == pytest.approx(1.96 * sd, rel=0.1)


def test_what_is_not_allowed():
    with pytest.raises(UsageError, match="poles is 1; choose 2 or 3"):
        track_orders(np.zeros(N), RATE, [TURNS], 1.0, poles=1)
    with pytest.raises(UsageError, match="bandwidth is 0 to 0 Hz"):
        track_orders(np.zeros(N), RATE, [TURNS], 0.0)
    with pytest.raises(UsageError, match="it must last"):
        track_orders(np.zeros(100), RATE, [TURNS[:100]], 0.1)
