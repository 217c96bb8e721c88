"""Channels that say nothing: dead ones, copies, tacho and telemetry."""

from dataclasses import replace

import numpy as np
import pytest

from tests.machine_sounds import bench, recorded
from tests.screened import ANY, RATE, found
from vibekit.analysis import analyze
from vibekit.recording import Channel, Recording
from vibekit.screening import screen
from vibekit.settings import Settings


def test_channels_that_are_dead_or_copies_are_named():
    _, x = bench(0)
    assert found(recorded([x, np.zeros(x.size)], RATE))["dead-channel"] == "warning"
    assert found(recorded([x, -0.5 * x], RATE, bits=0))["copies"] == "note"
    _, other = bench(1)
    assert not {"copies", "dead-channel"} & found(recorded([x, other], RATE)).keys()
    both = recorded([np.clip(x, -0.05, 0.05), other], RATE)
    assert "of channel 1 are cut flat" in screen(both, ANY).problems[0].detail


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("value", [0.0, 0.2])
def test_a_dead_channel_is_left_out_as_it_is_said(value):
    _, x = bench(0)
    one, two = recorded([x], RATE), recorded([x, np.full(x.size, value)], RATE)
    alone, beside = (
        analyze(one, Settings("bare")),
        analyze(replace(two, samples=np.stack([one.samples[0], two.samples[1]])), Settings("bare")),
    )
    assert alone.quantities
    assert (beside.speed, beside.quantities, beside.orders, beside.powers) == (alone.speed, alone.quantities, alone.orders, alone.powers)
    assert any("channel 2: one value throughout" in line for line in beside.log)


@pytest.mark.parametrize(
    ("kind", "code"), [("good", None), ("flat", "no-tacho"), ("few", "no-tacho"), ("missing", "uneven-tacho"), ("noise", "uneven-tacho")]
)
def test_a_tacho_that_says_nothing_is_told(kind, code):
    rng, x = bench(0)
    tacho = 0.01 * rng.standard_normal(x.size)
    marks = np.arange(300, x.size, 480)
    if kind == "missing":
        marks = rng.permutation(marks)[: marks.size // 2]
    if kind == "few":
        marks = marks[:2]
    if kind == "flat":
        tacho[:] = 0
    if kind in ("good", "missing", "few"):
        tacho[(marks[:, None] + np.arange(20)).ravel()[: x.size]] += 1
    both = Recording(np.stack([x, tacho]).astype(np.float32), float(RATE), (Channel(), Channel(role="tacho", unit="V", name="mark")))
    assert {"no-tacho", "uneven-tacho"} & found(both).keys() == ({code} if code else set())


def test_telemetry_without_speed_is_told():
    rows = np.stack([bench(0)[1], np.zeros(3 * RATE // 2)]).astype(np.float32)
    recording = Recording(rows, float(RATE), (Channel(), Channel(role="telemetry", unit="rpm", name="rpm")))
    assert found(recording)["no-telemetry"] == "warning"


@pytest.mark.parametrize("width", [4, 240])  # samples of 480: a narrow mark, and a hub half dark
@pytest.mark.parametrize("way", [1, -1])
def test_a_tacho_that_nobody_called_one_is_asked_about(width, way):
    """One mark a turn at 6 000 rpm through a sound card; a channel cut flat by overload is none."""
    rng, x = bench(0)
    marks = np.arange(300, x.size, 480)
    tacho = 0.01 * rng.standard_normal(x.size)
    tacho[np.unique((marks[:, None] + np.arange(width)).ravel()[: marks.size * width]).clip(max=x.size - 1)] += way
    (problem,) = (p for p in screen(recorded([x, tacho], RATE), ANY).problems if p.code == "unsaid-tacho")
    assert problem.severity == "stop"
    assert "--roles vibration,tacho" in problem.detail
    beside = Recording(np.stack([x, tacho]).astype(np.float32), float(RATE), (Channel(), Channel(role="tacho", unit="V", name="mark")))
    for fine in (recorded([tacho], RATE), recorded([x, np.clip(9 * x / np.abs(x).max(), -1, 1)], RATE), beside):
        assert "unsaid-tacho" not in found(fine)
