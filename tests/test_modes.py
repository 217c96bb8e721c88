"""Tap test: poles of a frame of known masses, springs and dampers, struck by half-sine blows; double hits; intervals."""

import math
import os

import numpy as np
import pytest
from scipy import stats
from scipy.linalg import eigh
from scipy.signal import StateSpace, lsim

from tests.shaft_sounds import coloured
from vibekit.errors import UnreadableError, UsageError
from vibekit.knocks import find_knocks
from vibekit.mode import FrameMode
from vibekit.modes import tap_modes
from vibekit.recording import Channel, Recording

TAPS = int(os.environ.get("VIBEKIT_TAPS", "6"))
RATE = 4000.0
MASS = np.diag([0.05, 0.12, 0.05])  # kg: two arms on a body that stands on a soft mat
STIFFNESS = 1e4 * np.array([[2.2, -2.2, 0], [-2.2, 6.4, -3.4], [0, -3.4, 3.4]])
ALPHA, BETA = 4.0, 6e-5  # Rayleigh damping


def true_modes():
    """Frequency and damping of each mode (Rao, Mechanical Vibrations (2011), sec. 6.9 and 6.13: proportional damping), by scipy."""
    omega = np.sqrt(eigh(STIFFNESS, MASS, eigvals_only=True))
    return omega / (2 * np.pi), (ALPHA / omega + BETA * omega) / 2


def struck(at_s, *, seconds, noise=0.0, rng, where=0, felt=(0,), width_s=0.004, rate=RATE):
    """Acceleration (channels, n) of the masses `felt` when mass `where` takes half-sine blows at (time, peak N)."""
    inverse = np.linalg.inv(MASS)
    damper = ALPHA * MASS + BETA * STIFFNESS
    a = np.block([[np.zeros((3, 3)), np.eye(3)], [-inverse @ STIFFNESS, -inverse @ damper]])
    b = np.vstack([np.zeros((3, 1)), inverse[:, [where]]])
    fine = np.arange(int(seconds * rate * 2)) / (rate * 2)
    force = sum(size * np.where((fine >= t) & (fine < t + width_s), np.sin(np.pi * (fine - t) / width_s), 0.0) for t, size in at_s)
    _, moved, _ = lsim(StateSpace(a, b, a[3:], b[3:]), force, fine)
    x = moved[::2, list(felt)].T
    return x + rng.normal(0, noise * np.abs(x).max(), x.shape)


def recording(x, rate=RATE):
    return Recording(x.astype(np.float32), rate, tuple(Channel(unit="m/s2", name=str(i)) for i in range(len(x))))


def blows(rng, count, apart=1.2):
    return [(0.4 + apart * i + rng.uniform(0, 0.1), rng.uniform(20, 60)) for i in range(count)]


def test_the_modes_of_a_known_frame():
    rng = np.random.default_rng(0)
    found = tap_modes(recording(struck(blows(rng, 4), seconds=5.4, noise=0.003, rng=rng, felt=(0, 2))))
    frequency, damping = true_modes()
    assert found.knocks == 4
    assert len(found.modes) == 3
    for mode, hz, ratio in zip(found.modes, frequency, damping, strict=True):
        assert mode.frequency_hz == pytest.approx(hz, abs=1.5 * mode.frequency_u95_hz)
        assert mode.damping == pytest.approx(ratio, abs=1.5 * mode.damping_u95)
        assert mode.frequency_u95_hz < 0.005 * hz
        assert mode.damping_u95 < 0.15 * ratio


def test_double_hits_are_refused_and_named():
    rng = np.random.default_rng(1)
    at = blows(rng, 5)
    bounced = [*at[:2], (at[1][0] + 0.07, at[1][1] / 2), *at[2:]]
    found = tap_modes(recording(struck(bounced, seconds=6.6, noise=0.003, rng=rng)))
    assert found.knocks == 4
    assert [words.rpartition(" at ")[0] for words in found.refused] == ["double hit", "double hit"]
    frequency, _ = true_modes()
    assert found.modes[0].frequency_hz == pytest.approx(frequency[0], rel=0.002)


def test_a_second_hit_hidden_in_the_ring_is_no_clean_knock():
    rng = np.random.default_rng(2)
    at = blows(rng, 5)
    x = struck(at, seconds=6.6, noise=0.002, rng=rng)
    late = at[2][0] + 0.35
    again = struck([(late, 0.9 * at[2][1])], seconds=6.6, rng=rng, where=2, width_s=0.02)  # soft: its slope stands out of nothing
    found = tap_modes(recording(x + again))
    assert found.knocks < 5 or found.modes[0].frequency_hz == pytest.approx(true_modes()[0][0], rel=0.005)
    assert len(found.modes) == 3


def test_hum_and_a_running_motor_are_no_modes():
    rng = np.random.default_rng(3)
    x = struck(blows(rng, 4), seconds=5.4, noise=0.003, rng=rng)
    time = np.arange(x.shape[1]) / RATE
    x = x + 0.05 * np.abs(x).max() * (np.cos(2 * np.pi * 50 * time) + np.cos(2 * np.pi * 123.4 * time))
    found = tap_modes(recording(x))
    frequency, _ = true_modes()
    assert [round(mode.frequency_hz / near, 2) for mode, near in zip(found.modes, frequency, strict=True)] == [1.0, 1.0, 1.0]


@pytest.mark.parametrize("knocks", [4, 8])
@pytest.mark.parametrize("kind", ["white", "coloured"])
def test_intervals_cover_and_are_no_wider_than_the_bound_asks(kind, knocks):
    """Many tap tests of one mode. Bound: numerical Fisher information of a decaying wave in white noise, all its knocks together."""
    rng = np.random.default_rng(knocks)
    hz, ratio, noise, n = 90.0, 0.03, 0.05, 1900
    time = np.arange(n) / 2000.0
    inside, width = [], []
    for _ in range(TAPS):
        x = noise * (rng.standard_normal(knocks * 2400) if kind == "white" else coloured(rng, knocks * 2400))
        for i in range(knocks):
            wave = np.exp(-ratio * 2 * np.pi * hz * time) * np.sin(2 * np.pi * hz * math.sqrt(1 - ratio**2) * time)
            x[300 + i * 2400 : 300 + i * 2400 + n] += wave * rng.uniform(2, 4)
        (mode,) = [m for m in tap_modes(recording(x[None], 2000.0)).modes if abs(m.frequency_hz - hz) < 5]
        inside.append((abs(mode.frequency_hz - hz) <= mode.frequency_u95_hz, abs(mode.damping - ratio) <= mode.damping_u95))
        width.append(mode.frequency_u95_hz)
    held = np.sum(inside, axis=0)
    assert np.all((held >= stats.binom(TAPS, 0.93).ppf(0.001)) & (held <= stats.binom(TAPS, 0.97).ppf(0.999))), held / TAPS
    after = time[time > 0.011]
    omega, decay = 2 * np.pi * hz, ratio * 2 * np.pi * hz
    wave = np.exp((1j * omega - decay) * after)
    columns = np.stack([wave.real, wave.imag, after * wave.real, after * wave.imag])
    bound = np.linalg.inv(columns @ columns.T)[2, 2]
    sd = noise * math.sqrt(bound / (knocks * np.mean(np.square([2, 3, 4])))) / (2 * np.pi)
    assert kind == "coloured" or np.median(width) / 1.96 <= 1.25 * sd


def ringing(rng, modes, knocks, rate=2000.0, apart_s=1.2):
    """Acceleration (n,) where blows of 3 ms strike a frame with these modes (Hz, damping); the second strikes again after 70 ms.

    The blow itself over the mass, less what each mode swings back (Rao, Mechanical Vibrations (2011), section 4.5: impulse response).
    """
    n = int(apart_s * rate)
    time, x, answer = np.arange(n) / rate, np.zeros(int(0.4 * rate) + knocks * n), np.zeros(n)
    for hz, ratio in modes:
        omega, share = 2 * np.pi * hz, rng.uniform(0.4, 1)
        answer[0] += share
        answer -= share * omega / rate * np.exp(-omega * ratio * time) * np.sin(omega * math.sqrt(1 - ratio**2) * time)
    blow = np.convolve(answer, np.sin(np.pi * np.arange(1, 7) / 7))[:n]
    at = [int(0.2 * rate) + i * n for i in range(knocks)]
    for start in (*at, at[1] + int(0.07 * rate)):
        x[start : start + n] += rng.uniform(1, 3) * blow[: x.size - start]
    return x


@pytest.mark.parametrize("close", [0.06, 0.25])
def test_intervals_cover_where_modes_lie_close(close):
    """Frames drawn at random, two of whose modes lie 6 or 25 % apart; a double hit each, which is refused whatever rings."""
    frequency, damping = [], []
    for i in range(TAPS):
        rng = np.random.default_rng([i, round(100 * close)])
        hz = rng.uniform(25, 120)
        modes = [(hz, rng.uniform(0.008, 0.05)), (hz * (1 + close), rng.uniform(0.008, 0.05)), (3.5 * hz, rng.uniform(0.01, 0.04))]
        x = ringing(rng, modes, 6)
        noise = 0.003 * np.abs(x).max() * (coloured(rng, x.size) if i % 2 else rng.standard_normal(x.size))
        found = tap_modes(recording((x + noise)[None], 2000.0))
        assert len(found.refused) == (2 if "double hit" in found.refused[0] else 1)
        assert found.knocks == 5
        for mode in found.modes:
            true_hz, ratio = min(modes, key=lambda each: abs(math.log(each[0] / mode.frequency_hz)))
            frequency.append(abs(mode.frequency_hz - true_hz) <= mode.frequency_u95_hz)
            damping.append(abs(mode.damping - ratio) <= mode.damping_u95)
    assert len(frequency) > 2 * TAPS
    for held in (frequency, damping):
        assert sum(held) >= stats.binom(len(held), 0.93).ppf(0.001), np.mean(held)


def test_knocks_are_found_where_they_are():
    rng = np.random.default_rng(5)
    at = blows(rng, 3)
    x = struck(at, seconds=4.2, noise=0.002, rng=rng)
    found = find_knocks(x, RATE)
    assert [knock.start / RATE for knock in found] == pytest.approx([t + 0.011 for t, _ in at], abs=0.004)
    assert find_knocks(np.zeros((1, 4000)), RATE) == ()
    assert find_knocks(rng.normal(0, 1, (1, 40_000)), RATE) == ()


def test_what_cannot_be_used_is_refused():
    rng = np.random.default_rng(6)
    with pytest.raises(UnreadableError, match="2 clean knocks; a tap test needs 3 or more"):
        tap_modes(recording(struck(blows(rng, 2), seconds=3.0, noise=0.002, rng=rng)))
    with pytest.raises(UnreadableError, match="at 99 samples a second; it needs 200"):
        tap_modes(recording(np.zeros((1, 500)), 99.3))
    with pytest.raises(UnreadableError, match="0 clean knocks"):
        tap_modes(recording(rng.normal(0, 1, (1, 20_000))))


def test_amplification_is_that_of_the_textbook():
    # Rao, Mechanical Vibrations (2011), eq. 3.30 (from memory): 1 / (2 damping) at the frequency itself, 1 at rest
    mode = FrameMode(100.0, 0.5, 0.05, 0.002)
    assert mode.amplification(100.0) == pytest.approx(10.0)
    assert mode.amplification(1e-9) == pytest.approx(1.0)
    assert mode.amplification(50.0) == pytest.approx(1 / math.hypot(0.75, 0.05))
    with pytest.raises(UsageError, match="a mode at 100 Hz with damping"):
        FrameMode(100.0, 1.0, 1.2, 0.1)
