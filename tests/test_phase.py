import numpy as np
import pytest

from tests.shaft_sounds import orders, walk
from vibekit.phase import _smoother, follow_phase
from vibekit.track import Track

RATE = 2_000


def bound(level_db, noise_db, seconds, rate=RATE):
    """Cramer-Rao bound of a shaft's speed from all its orders, Hz: sum of k^2 eta_k in place of eta.

    Kay, Fundamentals of Statistical Signal Processing: Estimation Theory (1993), Ex. 3.14 (from memory), after Rife & Boorstyn,
    IEEE Trans. IT 20 (1974) 591-598; eta = A^2 / (2 sigma^2).
    """
    n = seconds * rate
    eta = sum(order**2 * 10 ** ((db - noise_db) / 10) / 2 for order, db in level_db.items())
    return rate * np.sqrt(12 / ((2 * np.pi) ** 2 * eta * n * (n**2 - 1)))


def test_the_bound_is_the_published_one():
    """N = 64, A = 1, sigma^2 = 0.1; 48 kHz, 1 s, eta = 10 dB: 7.958e-4 Hz, 0.0477 rpm."""
    assert bound({1: 0.0}, -10.0, 64, rate=1) ** 2 == pytest.approx(2.3196e-7, rel=1e-4)
    once = bound({1: 10 * np.log10(20)}, 0.0, 1.0, rate=48_000)
    assert once == pytest.approx(7.958e-4, rel=1e-3)
    assert 60 * once == pytest.approx(0.0477, abs=5e-5)


def errors(rng, level_db, noise_db, wander, count, seconds=10.0):
    """Error of the mean speed from first to last block and its stated standard deviation, Hz, (count,) each."""
    n = int(seconds * RATE)
    time = np.arange(n) / RATE
    found = []
    for _ in range(count):
        speed = walk(rng, n, RATE, rng.normal(100, 0.1), wander)
        samples = orders(rng, speed, RATE, level_db) + 10 ** (noise_db / 20) * rng.standard_normal(n)
        phase = follow_phase([samples], RATE, 100.0 * time, sorted(level_db), 0.25, 1.5)
        turns = 100.0 * phase.time_s + phase.turns
        true = np.interp(phase.time_s, time + 0.5 / RATE, np.cumsum(speed) / RATE)  # the angle is summed up to the end of each sample
        span = phase.time_s[-1] - phase.time_s[0]
        found.append((((turns[-1] - turns[0]) - (true[-1] - true[0])) / span, phase.mean_sd_hz))
    return np.array(found).T


COMB = {1: -10.5, 2: 0.0, 4: -6.0}


@pytest.mark.parametrize("noise_db", [10, 0, -20])
def test_a_steady_shaft_is_measured_to_the_bound_of_its_whole_comb(noise_db):
    """1.25 allows for the spread of an rms over 60 trials (9 %), the blocks' Hann windows (2 %) and the wander that is not excluded."""
    error, stated = errors(np.random.default_rng(noise_db + 50), COMB, noise_db, 0.0, 60)
    limit = bound(COMB, noise_db, 10.0)
    assert np.sqrt(np.mean(error**2)) < 1.25 * limit
    assert 0.9 * limit < np.median(stated) < 1.35 * limit


@pytest.mark.parametrize("wander", [0.0, 1e-4, 1e-3, 4e-3])
@pytest.mark.parametrize("noise_db", [10, 0, -20])
def test_stated_intervals_hold_the_truth_with_wander_too(wander, noise_db):
    error, stated = errors(np.random.default_rng(int(1e5 * wander) + noise_db + 30), COMB, noise_db, wander, 40)
    assert np.mean(np.abs(error) < 1.96 * stated) >= 0.85  # 95 % less three standard deviations of 40 trials


def test_an_order_that_does_not_follow_the_shaft_is_left_out():
    """Order 3 is a line of something else, half a hertz off and the highest of all."""
    rng = np.random.default_rng(4)
    time = np.arange(10 * RATE) / RATE
    samples = orders(rng, np.full(time.size, 100.03), RATE, {1: -6, 2: -6, 4: -6, 5: -6}) + np.cos(2 * np.pi * 300.6 * time)
    samples = samples + 0.3 * rng.standard_normal(time.size)
    phase = follow_phase([samples], RATE, 100.0 * time, [1, 2, 3, 4, 5], 0.5, 0.9)
    slope = np.polyfit(phase.time_s, phase.turns, 1)[0]
    assert slope == pytest.approx(0.03, abs=1e-3)


def test_too_short_a_record_gives_nothing():
    assert follow_phase([np.zeros(500)], RATE, np.arange(500) / 20, [1], 0.25, 1.0) is None


def test_a_track_passes_through_what_it_is_made_from():
    rng = np.random.default_rng(5)
    time = np.cumsum(rng.uniform(0.1, 0.3, 50))
    turns = np.cumsum(rng.uniform(5, 6, 50))
    track = Track.through(time, turns)
    assert track.turns(time) == pytest.approx(turns - turns[0], abs=1e-9)
    assert track.mean_hz == pytest.approx((turns[-1] - turns[0]) / (time[-1] - time[0]))
    assert track.turns(time[0] - 0.1) == pytest.approx(-0.1 * track.hz[0])
    assert track.turns(time[-1] + 0.1) == pytest.approx(turns[-1] - turns[0] + 0.1 * track.hz[-1])
    fine = np.linspace(time[0], time[-1], 20_001)
    assert track.turns(fine)[-1] == pytest.approx(np.trapezoid(track.at(fine), fine), rel=1e-6)


def test_orders_that_show_next_to_nothing_still_give_a_speed_within_their_lines():
    """Of mere noise some order stands out most, by whatever it does: that one is followed, and the speed is no worse than its line."""
    seconds, n = 3.0, 6000
    for seed in range(40):
        rng = np.random.default_rng(seed)
        hz, carried = rng.uniform(20, 100), sorted(rng.choice(np.arange(1, 12), int(rng.integers(1, 6)), replace=False).tolist())
        phase = follow_phase([rng.standard_normal(n).astype(np.float32)], RATE, hz * np.arange(n) / RATE, carried, 0.3, 1.0)
        assert phase.whole_sd_hz < 3.0 / seconds, (seed, carried)


@pytest.mark.parametrize("beyond", [1.0, 1.5])
@pytest.mark.parametrize("noise", [0.02, 0.5])
def test_the_smoother_covers_an_angle_to_the_end_of_the_record(noise, beyond):
    """Speed a Brownian motion, angles read in noise that half overlapping Hann blocks share by a sixth (Harris 1978, table 1).

    The angle goes on past the last block by as many steps; half of its interval comes from there where there is little noise.
    """
    rng, n, fine, held = np.random.default_rng(int(10 * beyond)), 60, 20, []
    smooth = _smoother(n, beyond)
    margin = round(beyond * fine)
    for _ in range(300):
        speed = np.cumsum(rng.standard_normal(2 * margin + (n - 1) * fine)) / fine**0.5
        angle = np.concatenate(([0.0], np.cumsum(speed))) / fine
        block = angle[margin : -margin or None : fine]
        shared = rng.standard_normal(n + 1)
        a, b = (np.sqrt(4 / 3) + np.array([1, -1]) * np.sqrt(2 / 3)) / 2  # a^2 + b^2 = 1, a b = 1 / 6
        total, _, sd, _ = smooth(block + noise * (a * shared[1:] + b * shared[:-1]), noise**2)
        whole = total[-1] - total[0] + beyond * (total[-1] - total[-2] + total[1] - total[0])
        held.append(abs(whole - angle[-1]) < 1.96 * sd)
    assert 0.92 <= np.mean(held) <= 0.985


def test_an_axis_that_holds_one_value_has_no_line_and_does_no_harm():
    """As of a phone that lay still in two of three directions: rounded, they are zeros once their mean is gone."""
    rng = np.random.default_rng(7)
    time = np.arange(10 * RATE) / RATE
    moves = orders(rng, np.full(time.size, 100.03), RATE, {1: -6, 2: -6}) + 0.3 * rng.standard_normal(time.size)
    phase = follow_phase([moves, np.zeros(time.size)], RATE, 100.0 * time, [1, 2], 0.5, 0.9)
    alone = follow_phase([moves], RATE, 100.0 * time, [1, 2], 0.5, 0.9)
    assert phase.turns == pytest.approx(alone.turns, abs=1e-6)
