"""Drop-outs, jumps, repeated and held samples."""

import numpy as np
import pytest

from tests.machine_sounds import bench, recorded
from tests.screened import ANY, RATE, found, places, share
from vibekit.screening import leave_out, screen


@pytest.mark.parametrize("length", [8, 48, 480, 4800])
@pytest.mark.parametrize("fill", ["zeros", "last value"])
def test_dropouts_are_found_counted_and_left_out(length, fill):
    def dropped(seed):
        rng, x = bench(seed)
        for at in places(rng, x, 3):
            x[at : at + length] = 0 if fill == "zeros" else x[at]
        return recorded(x, RATE)

    assert share(dropped, "drop-out", severity="warning") == 1
    rng, x = bench(1)
    at = places(rng, x, 3)
    for a in at:
        x[a : a + length] = 0
    recording = recorded(x, RATE)
    problems = {p.code: p.detail for p in screen(recording, ANY).problems}
    assert problems["drop-out"].startswith(f"3 drop-outs, {3 * length / 48:.3g} ms in all, the first at {at[0] / RATE:.2f} s")
    assert "jump" not in problems
    assert [any(a <= p + 2 and p + length - 2 <= b for a, b in leave_out(recording)) for p in at] == [True] * 3


def test_a_recording_that_is_mostly_gaps_is_stopped():
    _, x = bench(4)
    for at in range(2_000, x.size - 2_000, 4_000):
        x[at : at + 1_500] = 0
    assert found(recorded(x, RATE))["drop-out"] == "stop"


@pytest.mark.parametrize("lost", [48, 480])
def test_lost_samples_are_found_though_nothing_marks_the_place(lost):
    """480 frames at 48 kHz are one 10 ms buffer."""

    def spliced(seed):
        rng, x = bench(seed)
        for at in places(rng, x, 6)[::-1]:
            x = np.delete(x, slice(at, at + lost))
        return recorded(x, RATE)

    assert share(spliced, "jump", seeds=20, severity="warning") >= 0.9


def test_a_jump_is_left_out_where_it_is_and_nowhere_else():
    """A splice between two samples that happen to be close is no jump, and one in three is not seen."""
    seen = [leave_out(recorded(np.delete(bench(seed)[1], slice(40_000, 40_480)), RATE)) for seed in range(12)]
    assert sum(len(spans) for spans in seen) >= 6
    assert all(len(spans) <= 1 for spans in seen)
    assert all(start < 40_000 < stop and stop - start < 1_000 for spans in seen for start, stop in spans)


def test_no_jump_is_claimed_in_a_record_without_a_quiet_top_band():
    rng = np.random.default_rng(1)
    x = 0.1 * np.delete(rng.standard_normal(4 * RATE), slice(80_000, 80_480))
    assert "jump" not in found(recorded(x, RATE))


@pytest.mark.parametrize(("length", "least"), [(64, 0.4), (480, 0.95), (4800, 1.0)])
def test_a_buffer_handed_over_twice_is_found(length, least):
    def repeated(seed):
        rng, x = bench(seed)
        at = int(rng.integers(20_000, x.size - 20_000))
        return recorded(np.concatenate((x[:at], x[at - length : at], x[at:])), RATE)

    assert share(repeated, "repeated-block", seeds=20) >= least


def test_a_loop_is_told_from_a_live_sound():
    _, x = bench(0)
    screening = screen(recorded(np.tile(x[:RATE], 4), RATE), ANY)
    assert [p.code for p in screening.problems if p.severity == "warning"] == ["repeated-block"]
    assert "looped" in screening.problems[0].detail


@pytest.mark.parametrize("rate", [8_000, 16_000, 24_000])
def test_held_and_interpolated_samples_name_the_true_rate(rate):
    _, x = bench(1, rate=rate)
    times = RATE // rate
    held = {p.code: p for p in screen(recorded(np.repeat(x, times), RATE), ANY).problems}["held-samples"]
    between = np.interp(np.arange(x.size * times) / times, np.arange(x.size), np.round(x * 2**15) / 2**15)
    straight = {p.code: p for p in screen(recorded(between, RATE), ANY).problems}["upsampled"]
    assert float(held.detail.split("about ")[1].split()[0]) == pytest.approx(rate, rel=0.02)  # neighbours alike by chance
    assert f"from {rate} Hz" in straight.detail
    assert f"above {rate // 2} Hz" in straight.detail
