"""A slow shaft that shows by the distance of its lines only, and lattices that are no shaft."""

import numpy as np
import pytest

from tests.shaft_sounds import coloured, orders, walk
from vibekit.estimate import estimate_speed
from vibekit.settings import Settings
from vibekit.spacing import find_spacing, spacing_evidence
from vibekit.transform import Transform

RATE, SECONDS, WIDTH = 8_000, 8, 0.125
SLOTS = {order + side: -4.0 * abs(side) for order in (24, 36, 48, 72) for side in (-3, -2, -1, 0, 1, 2, 3)}


def sound(rng, hz=9.95, fan_hz=112.4):
    """Slots of a slow motor with their neighbours one turn apart, no low order, and a fan of five blades that stands higher."""
    n = SECONDS * RATE
    fan = orders(rng, walk(rng, n, RATE, fan_hz, 1e-3), RATE, {1: -6, 2: -12, 5: 6, 10: 3, 15: 0})
    return orders(rng, np.full(n, hz), RATE, {k: db - 12 + rng.uniform(-4, 4) for k, db in SLOTS.items()}) + fan + coloured(rng, n)


@pytest.mark.parametrize("test", [None, "bare"])
def test_a_slow_shaft_is_told_by_the_neighbours_of_its_slots_beside_a_fan(test):
    found = estimate_speed([Transform.of(sound(np.random.default_rng(1)), RATE)], Settings(test=test))
    assert found.track.mean_hz == pytest.approx(9.95, abs=max(3 * found.mean_sd_hz, 1e-3))
    assert found.mean_sd_hz < 2e-3
    assert found.choice.confidence > 0.9


def test_lines_anywhere_have_no_spacing_and_half_or_twice_the_true_one_is_less_likely():
    rng = np.random.default_rng(2)
    anywhere = [find_spacing(np.sort(rng.uniform(10, 1_000, 40)), WIDTH, 5.0) for _ in range(20)]
    assert max(each.evidence - each.tried for each in anywhere) < 4
    at = np.sort(np.concatenate((9.95 * np.array([*SLOTS]), rng.uniform(10, 1_000, 20))))
    found = find_spacing(at, WIDTH, 4.0)
    assert found.hz == pytest.approx(9.95, abs=3 * found.sd_hz)
    assert found.is_one_apart
    true, half, twice = spacing_evidence(at, WIDTH, found.hz * np.array([1, 0.5, 2]))
    assert true > max(half, twice) + 8


def test_combs_in_simple_ratios_make_a_lattice_that_is_no_shaft():
    """1x, a cage at 0.4, its balls at 3.6 and 5.4 (6205 of the Case Western data, slip as found): all are multiples of a fifth."""
    at = 29.53 * np.unique(np.concatenate([np.arange(1, 16) * each for each in (1.0, 3.6, 5.4)] + [np.arange(1, 6) * 0.4]))
    found = find_spacing(at[at < 1_000], WIDTH, 5.0)
    assert found.hz == pytest.approx(29.53 / 5, rel=1e-3)
    assert not found.is_one_apart


def test_multiples_of_mains_are_no_shaft():
    at = 12.5 * np.array([4, 8, 12, 13, 14, 16, 20, 24, 28, 29, 30, 31, 32, 36, 40])
    found = find_spacing(at, WIDTH, 5.0)
    assert found is None or abs(found.hz / 12.5 - 1) > 2e-3
