"""A long recording in pieces says what the whole says, and needs no more memory than a piece."""

import tracemalloc

import numpy as np
import pytest

from tests.shaft_sounds import coloured, orders, walk
from vibekit import pieces
from vibekit.analysis import analyze
from vibekit.recording import Channel, Lost, Recording
from vibekit.settings import Settings

RATE, SHAFT_HZ = 8000.0, 80.0
SETTINGS = Settings(test="prop", speed_rpm=60 * SHAFT_HZ, blades=2)


def machine(seconds, seed=0, **more):
    rng = np.random.default_rng(seed)
    speed = walk(rng, int(seconds * RATE), RATE, SHAFT_HZ, 1e-3)
    samples = (orders(rng, speed, RATE, {1: -10, 2: -16, 4: -20}) + 0.1 * coloured(rng, speed.size)).astype(np.float32)
    return Recording(samples[None], RATE, (Channel(),), **more)


@pytest.fixture
def short_pieces(monkeypatch):
    monkeypatch.setattr(pieces, "LONGEST", 20 * int(RATE))


def test_the_pieces_say_what_the_whole_says(short_pieces, monkeypatch):
    recording = machine(70, seed=1)
    parts = analyze(recording, SETTINGS)
    monkeypatch.setattr(pieces, "LONGEST", 1 << 30)
    whole = analyze(recording, SETTINGS)
    assert parts.log[-1] == "measured in 4 pieces, 4 of them averaged"
    assert parts.duration_s == pytest.approx(70)
    assert parts.speed.rpm == pytest.approx(60 * SHAFT_HZ, abs=parts.speed.rpm_u95)
    assert [line.name for line in parts.orders] == [line.name for line in whole.orders]
    for name in ("1x", "blade pass"):
        a, b = (next(line for line in r.orders if line.name == name) for r in (parts, whole))
        assert a.amplitude == pytest.approx(b.amplitude, rel=0.01)
        assert a.u95 < 3 * b.u95
    for a, b in zip(parts.quantities, whole.quantities, strict=True):
        if a.unit == "dB" and a.name.startswith("octave"):
            assert a.value == pytest.approx(b.value, abs=0.3)
    curve = parts.curve("order")
    assert curve.y[np.argmin(np.abs(curve.x - 1))] == pytest.approx(10 ** (-10 / 20), rel=0.05)


def test_a_piece_that_cannot_be_used_is_left_out_and_said(short_pieces):
    recording = machine(60)
    samples = recording.samples.copy()
    samples[:, : 20 * int(RATE)] = 0.1 * np.sign(samples[:, : 20 * int(RATE)])
    spoilt = Recording(samples, RATE, recording.channels)
    reading = analyze(spoilt, SETTINGS)
    assert reading.screening.usable
    assert "(in 1 of 3 pieces)" in " ".join(p.detail for p in reading.screening.problems)
    assert reading.log[-1].startswith("measured in 3 pieces")


def test_what_the_recorder_lost_stays_where_it_was():
    recording = machine(10, lost=(Lost(30_000, 30_100, 90, "overflow"),))
    first, second = (pieces._cut(recording, a, b) for a, b in ((0, 30_050), (30_050, 80_000)))
    assert [(x.start, x.stop) for x in (*first.lost, *second.lost)] == [(30_000, 30_050), (0, 50)]


def test_a_run_up_is_never_cut(short_pieces):
    assert len(pieces.pieces_of(machine(60), Settings(test="run-up"))) == 1


def test_memory_does_not_grow_with_length(short_pieces):
    def peak(seconds):
        recording = machine(seconds)
        tracemalloc.start()
        analyze(recording, SETTINGS)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    assert peak(120) < 1.3 * peak(20)
