"""Which part of a recording is looked at."""

import numpy as np
import pytest

from tests.machine_sounds import bench, recorded
from tests.screened import ANY, SLOWER, found
from vibekit.screening import leave_out, screen, steady_part
from vibekit.settings import Settings


def flown(seed, rest=0.02):
    """Rest, two seconds of take-off, hover, landing with a thump, rest."""
    rng, x = bench(seed, 20, SLOWER)
    shape = np.interp(np.arange(x.size) / SLOWER, [0, 2, 4, 16, 17, 20], [rest, rest, 1, 1, rest, rest])
    thump = int(16.5 * SLOWER)
    x = x * shape + 2e-4 * rng.standard_normal(x.size)
    x[thump : thump + 700] += 0.8 * np.exp(-np.arange(700) / 100) * np.sin(np.arange(700))
    return recorded(x, SLOWER)


@pytest.mark.parametrize("seed", range(4))
def test_take_off_and_landing_are_cut_off(seed):
    part = steady_part(flown(seed), Settings(test="flight"))
    assert 2.5 < part.start / SLOWER < 4.2
    assert 15.8 < part.stop / SLOWER < 16.8


def test_knocks_inside_are_left_out_and_noted_with_their_times():
    rng, x = bench(3, 20, SLOWER)
    at = [int(t * SLOWER) for t in (6.0, 13.0)]
    for a in at:
        x[a : a + 1_000] += 0.7 * np.exp(-np.arange(1_000) / 200) * rng.standard_normal(1_000)
    recording = recorded(x, SLOWER)
    spans = leave_out(recording)
    assert len(spans) == 2
    for a, (start, stop) in zip(at, spans, strict=True):
        assert start <= a + 80
        assert a + 500 <= stop <= a + 8_000
    note = {p.code: p.detail for p in screen(recording, ANY).problems}["knock"]
    assert "2 knocks at 6.0, 13.0 s" in note


def test_sync_clicks_near_the_ends_bound_the_part():
    _, x = bench(4, 20, SLOWER)
    for a in (SLOWER, 19 * SLOWER):
        x[a : a + 700] += 0.8 * np.sin(np.arange(700) / 2)
    part = steady_part(recorded(x, SLOWER))
    assert SLOWER + 700 <= part.start < 1.2 * SLOWER
    assert 18.9 * SLOWER < part.stop <= 19 * SLOWER + 80


def test_clicks_that_keep_coming_are_the_machines():
    """Grit: a loud click every 0.4 s is evidence, not handling."""
    _, x = bench(5, 20, SLOWER)
    for a in range(SLOWER, x.size - SLOWER, int(0.4 * SLOWER)):
        x[a : a + 200] += 0.7 * np.exp(-np.arange(200) / 20) * np.sin(np.arange(200))
    recording = recorded(x, SLOWER)
    assert leave_out(recording) == ()
    assert steady_part(recording) == slice(0, x.size)


def test_a_phone_that_was_lifted_is_cut_where_it_tilts():
    rng = np.random.default_rng(1)
    time = np.arange(2_000) / 99.3
    tilt = np.interp(time, [0, 3, 4, 17, 18, 21], [1.2, 1.2, 0, 0, 0.9, 0.9])
    axes = np.stack([0.3 * rng.standard_normal(time.size), 9.81 * np.cos(tilt), 9.81 * np.sin(tilt)]) + 0.4 * rng.standard_normal(
        (3, 2_000)
    )
    part = steady_part(recorded(axes, 99.3, bits=0, unit="m/s2"), Settings(test="prop"))
    assert 3.2 < part.start / 99.3 < 4.9
    assert 16.5 < part.stop / 99.3 < 17.8


@pytest.mark.parametrize("test", ["run-up", "hand-spin"])
def test_what_changes_on_purpose_is_not_cut(test):
    rng = np.random.default_rng(0)
    time = np.arange(12 * SLOWER) / SLOWER
    hz = np.interp(time, [0, 12], [20, 180] if test == "run-up" else [60, 2])
    x = 0.3 * (hz / hz.max()) ** 2 * np.sin(2 * np.pi * np.cumsum(hz) / SLOWER) + 1e-4 * rng.standard_normal(time.size)
    recording = recorded(x, SLOWER)
    assert steady_part(recording, Settings(test=test)) == slice(0, x.size)
    assert not {"ends", "knock", "gain-control", "noise-suppression"} & found(recording, Settings(test=test)).keys()


def test_silence_at_the_ends_is_cut_even_then():
    _, x = bench(0, 6, SLOWER)
    x = np.concatenate((np.zeros(SLOWER), x, np.zeros(SLOWER // 2)))
    part = steady_part(recorded(x, SLOWER), Settings(test="run-up"))
    assert abs(part.start - SLOWER) <= 160
    assert abs(part.stop - 7 * SLOWER) <= 160
