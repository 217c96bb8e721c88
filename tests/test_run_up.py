"""Run-ups: resonances at known frequency and damping, order maps, and what reaches reading and report."""

import numpy as np
import pytest

from tests.test_tracking import RATE, SPEED, TIME, TURNS, N, through_modes
from vibekit.analysis import analyze
from vibekit.drawings import drawings_of, groups_of
from vibekit.order_map import hertz_map, order_map
from vibekit.orders import OrderSpectrum, angular_signal
from vibekit.packing import pack, unpack
from vibekit.reading import Reading
from vibekit.recording import Channel, Recording
from vibekit.rig import draw_craft, record
from vibekit.run_up import measure_run_up
from vibekit.settings import Settings
from vibekit.speed import SpeedTrack
from vibekit.swept_modes import find_swept_modes
from vibekit.tracking import track_orders
from vibekit.transform import Transform


def tracked(modes, sd, seed=0):
    rng = np.random.default_rng(seed)
    x = sum(through_modes(k, modes, a).real for k, a in ((1, 1.0), (2, 0.5))) + rng.normal(0, sd, N)
    return track_orders(x, RATE, [TURNS, 2 * TURNS], np.minimum(0.4 * SPEED, 25.0))


@pytest.mark.parametrize(("hz", "damping"), [(50.0, 0.05), (110.0, 0.03), (160.0, 0.08)])
def test_frequency_and_damping_of_a_mode_in_a_fast_run_up(hz, damping):
    """The peak itself lies up to 2 Hz above the mode, because the speed goes through faster than the mode rings."""
    first, second = tracked([(hz, damping)], 0.02)
    for order in (first, second):
        (mode,) = find_swept_modes(order)
        assert mode.frequency_hz == pytest.approx(hz, abs=mode.frequency_u95_hz)
        assert mode.damping == pytest.approx(damping, abs=1.2 * mode.damping_u95)
        assert mode.frequency_u95_hz < 0.01 * hz
    peak = first.frequency_hz[np.argmax(first.amplitude / first.frequency_hz**2)]
    assert peak > hz


def test_two_modes_near_each_other():
    modes = find_swept_modes(tracked([(115.0, 0.03), (125.0, 0.03)], 0.02)[0])
    assert [mode.frequency_hz for mode in modes] == pytest.approx([115.0, 125.0], abs=0.3)


@pytest.mark.parametrize("seed", range(4))
def test_no_resonance_where_there_is_none(seed):
    assert [find_swept_modes(order) for order in tracked([], 0.1, seed)] == [(), ()]


def test_a_resonance_stands_still_in_hz_and_an_order_in_orders():
    noise = np.random.default_rng(1).normal(0, 1, N)
    frequency = np.fft.rfftfreq(N, 1 / RATE)
    x = np.fft.irfft(np.fft.rfft(noise) / (1 - (frequency / 130) ** 2 + 0.06j * frequency / 130), N) + 2 * np.cos(6 * np.pi * TURNS)
    track = SpeedTrack(TIME[::20], SPEED[::20], "tacho", 0.0)
    found = hertz_map(x, RATE, track, "g", top_hz=600.0)
    assert np.all(np.diff(found.rpm) > 0)
    band = np.abs(found.x - 130) < 15
    beside = (found.x > 30) & (found.x < 90)
    assert np.mean(np.max(found.amplitude[:, band], axis=1) > 2 * np.median(found.amplitude[:, beside])) > 0.7
    signal = angular_signal(Transform.of(x.astype(np.float32), RATE), (TIME[::20], TURNS[::20]), max_order=12, unit="g")
    by_order = order_map(signal.spectrum(block_turns=32))
    third = np.argmin(np.abs(by_order.x - 3.0))
    assert by_order.amplitude[:, third] == pytest.approx(2.0, rel=0.2)


def test_lines_of_a_map_are_means_of_power():
    power = np.array([[0.0, 2.0], [0.0, 8.0], [0.0, 18.0]])
    spectrum = OrderSpectrum(np.array([0.0, 1.0]), power, np.array([10.0, 10.1, 20.0]), 1.0, "g")
    found = order_map(spectrum, lines=2)
    assert found.rpm == pytest.approx([603.0, 1200.0])
    assert found.amplitude[:, 1] == pytest.approx([np.sqrt(2 * 5.0), 6.0])  # exact: peak amplitude of a mean square


def test_a_recording_of_a_run_up_gives_curves_maps_and_resonances():
    """Frame modes of the rig are its truth: sums over modes after Ewins, Modal Testing (2000), eq. 2.43."""
    craft = draw_craft(4)
    recording, _ = record(craft, test="run-up", sensor="accelerometer", rate_hz=8000.0, tacho=True)
    reading = analyze(recording, craft.settings("run-up", "accelerometer"))
    found = [q for q in reading.quantities if q.name.startswith("resonance ")]
    passed = sorted(mode.frequency_hz for mode in craft.motors[0].modes if 60 < mode.frequency_hz < 250)
    assert [q.value for q in found] == pytest.approx(passed, rel=0.01)
    assert all(0 < q.u95 < 0.02 * q.value for q in found)
    one = reading.curve("1x")
    assert one.x_unit == "rpm"
    assert one.u95.shape == one.y.shape == one.x.shape
    assert [m.kind for m in reading.maps] == ["order map", "hertz map"]
    again = unpack(Reading, pack(reading))
    assert np.array_equal(again.maps[1].amplitude, reading.maps[1].amplitude)
    (group,) = groups_of([("north-east", [reading], [])])
    captions = [drawing.caption for drawing in drawings_of(group, group.members[0])]
    assert "Frequency against shaft speed; dashed: a resonance, which stays at its Hz." in captions
    svg = next(drawing.svg for drawing in drawings_of(group, group.members[0]) if drawing.caption.startswith("Orders against"))
    assert f"{found[0].value:.0f} Hz" in svg


def test_a_speed_that_hardly_changes_is_no_run_up():
    x = np.cos(200 * np.pi * TIME)
    transform = Transform.of(x.astype(np.float32), RATE)
    track = SpeedTrack(TIME[::100], np.full(200, 100.0), "tacho", 0.0)
    spectrum = angular_signal(transform, (TIME[::20], 100 * TIME[::20]), max_order=6, unit="g").spectrum()
    assert measure_run_up(transform, track, spectrum, Settings("run-up"), "g") is None


def test_orders_above_the_sensor_are_left_out():
    """At 500 samples a second 1x goes to 200 Hz and 2x out of sight."""
    x = (np.cos(2 * np.pi * TURNS) + np.random.default_rng(0).normal(0, 0.01, N))[::4]
    channels = (Channel(unit="g"), Channel("telemetry", "Hz", "speed"))
    reading = analyze(Recording(np.stack([x, SPEED[::4]]), RATE / 4, channels), Settings("run-up", sensor="accelerometer"))
    assert [c.kind for c in reading.curves if c.x_unit == "rpm"] == ["1x"]
    assert reading.curve("1x").y == pytest.approx(1.0, rel=0.02)
