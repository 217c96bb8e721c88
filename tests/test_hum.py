"""Mains hum: where it is found, what it is told from, and what stands under it."""

from dataclasses import replace

import numpy as np
import pytest

from tests.machine_sounds import clean
from tests.shaft_sounds import coloured, orders, walk
from vibekit.analysis import analyze
from vibekit.diagnosis import diagnose
from vibekit.hum import Hum, beside, find_hum, folded, hum_problems
from vibekit.orders import angular_signal
from vibekit.powers import line_power
from vibekit.recording import Channel, Recording
from vibekit.rig import draw_craft, record
from vibekit.rig.disturbance import Disturbance
from vibekit.settings import Settings
from vibekit.speed import CLAIMED, seek_speed
from vibekit.transform import Transform

RATE, SECONDS, SHAFT_HZ = 8000.0, 10.0, 49.7
TIME = np.arange(int(SECONDS * RATE)) / RATE
CASES = range(6)


def seen(x, rate=RATE):
    return find_hum([Transform.of(np.asarray(x, np.float32), rate)])


def humming(hz, multiples, level=0.1, time=TIME):
    """Lines of one level; hz: a number or (n,)."""
    turns = np.cumsum(np.broadcast_to(hz, time.shape)) * (time[1] - time[0])
    return level * sum(np.cos(2 * np.pi * k * turns + k) for k in multiples)


def noise(seed, size=TIME.size):
    return coloured(np.random.default_rng(seed), size)


@pytest.mark.parametrize(("rate", "n"), [(8000.0, 15_000), (50.0, 100), (99.3, 200), (0.5, 600), (20.0, 100), (48_000.0, 96_000)])
def test_silence_noise_and_little_hold_no_hum(rate, n):
    assert (
        find_hum([]) == seen(np.zeros(n), rate) == seen(np.ones(n), rate) == seen(np.random.default_rng(0).standard_normal(n), rate) == ()
    )


# what is hum


@pytest.mark.parametrize("mains", [50.02, 59.97, 49.6, 60.5])
@pytest.mark.parametrize("multiples", [(1, 2, 3, 4, 5), (1, 3, 5, 7), (2, 3, 4, 6)], ids=["all", "odd", "mixed"])
def test_hum_of_a_grid_and_of_a_weak_generator_is_found_within_its_interval(mains, multiples):
    level = 0.1 if min(abs(mains - 50), abs(mains - 60)) < 0.1 else 0.3  # what strays as a shaft may must be seen to keep its frequency
    found = [seen(humming(mains, multiples, level) + noise(seed)) for seed in CASES]
    assert all(len(hums) == 1 for hums in found)
    assert all(abs(hum.mains_hz - mains) < hum.u95_hz < 0.02 for (hum,) in found)
    assert all(set(hum.multiple) == set(multiples) and hum.on_grid == (abs(mains / hum.nominal_hz - 1) < 2e-3) for (hum,) in found)


@pytest.mark.parametrize(("mains", "multiple"), [(50.01, 1), (59.99, 1), (50.01, 2), (59.99, 2)])
def test_one_line_is_hum_where_a_grid_nearly_always_is(mains, multiple):
    assert [hum.nominal_hz for hum in seen(humming(mains, [multiple]) + noise(1))] == [round(mains)]
    assert seen(humming(mains + 0.3, [multiple]) + noise(1)) == ()


def test_hum_that_drifts_and_hum_that_swells_is_hum():
    """0.02 Hz in ten seconds, more than grids do (from memory); a charger that draws by turns, 0.7 and 3 times a second."""
    drifting = 50 + 0.02 * np.sin(2 * np.pi * TIME / 10)
    swelling = [humming(50.01, range(1, 7)) * (1 + 0.8 * np.cos(2 * np.pi * hz * TIME)) for hz in (0.7, 3.0)]
    for x in (humming(drifting, range(1, 7)), *swelling):
        assert all(len(seen(x + noise(seed))) == 1 for seed in CASES)


def test_hum_of_a_rectifier_is_hum_to_its_end():
    """Even multiples up to the fortieth: what is not blanked of them is a shaft of 6 000 rpm."""
    (hum,) = seen(humming(49.99, range(2, 41, 2)) + 0.1 * noise(5))
    assert hum.multiple.tolist() == list(range(2, 41, 2))


def test_hum_in_a_slow_log_is_found_where_it_folds_to():
    """99.3 readings a second: 60, 120 and 180 Hz stand at 39.3, 20.7 and 18.6 Hz (sampling theorem)."""
    time = np.arange(1500) / 99.3
    (hum,) = seen(humming(59.99, (1, 2, 3), time=time) + 0.1 * np.random.default_rng(2).standard_normal(1500), 99.3)
    assert hum.nominal_hz == 60
    assert hum.hz == pytest.approx([39.31, 20.68, 18.63], abs=0.05)
    assert folded(np.array([59.99, 119.98, 179.97]), 99.3) == pytest.approx([39.31, 20.68, 18.63], abs=0.005)


@pytest.mark.parametrize("nominal", [50.0, 60.0])
@pytest.mark.parametrize("off", [-2e-3, -5e-4, 0.0, 5e-4, 2e-3])
def test_a_shaft_at_a_synchronous_speed_is_told_from_hum_by_its_wander(nominal, off):
    """A brushless motor's speed strays by a thousandth and more (common practice, no source); with 1x and 2x alone, too."""
    for seed in CASES:
        rng = np.random.default_rng(seed)
        for level in ({1: 0, 2: -6}, {1: 0, 2: -6, 3: -10, 4: -10}):
            x = orders(rng, walk(rng, TIME.size, RATE, nominal * (1 + off), 1.5e-3), RATE, level) + noise(seed)
            assert seen(x) == ()


def test_a_comb_finer_than_mains_is_a_shafts():
    """Lines at every multiple of 20 Hz hold 60, 100 and 120 Hz too."""
    assert seen(humming(20, range(1, 20)) + 0.01 * noise(3)) == ()


def test_hum_beside_a_shaft_is_told_from_it():
    for seed in CASES:
        rng = np.random.default_rng(seed)
        shaft = orders(rng, walk(rng, TIME.size, RATE, SHAFT_HZ, 2e-3), RATE, {1: 0, 2: -3, 3: -6, 4: -6})
        (hum,) = seen(shaft + humming(50.01, (1, 2, 3), 0.5) + noise(seed))
        assert len({1, 2, 3} & set(hum.multiple)) >= 2
        assert abs(hum.mains_hz - 50.01) < hum.u95_hz < 0.01


def test_honest_recordings_hum_rarely():
    """A shaft that holds its speed at just the mains' looks the same, and the text says so."""
    takes = [clean(seed, 8_000, 6.0) for seed in range(260)]
    takes += [clean(seed, rate, 12.0 if rate < 2_000 else 2.5) for rate in (48_000, 1_000, 400, 99.3) for seed in range(20)]
    found = [find_hum([Transform.of(take.samples[0], take.rate_hz)]) for take in takes]
    assert sum(map(bool, found)) <= 4


# what it is not told from


def test_a_line_is_said_to_be_hum_or_a_shaft_and_how_to_tell_unless_the_speed_was_typed():
    (problem,) = hum_problems(seen(humming(50.0, (1, 2, 3)) + noise(0)), None)
    assert "fit 50 Hz mains hum, or a shaft at just this speed (3000 rpm)" in problem.detail
    assert "Another speed of the motor tells" in problem.detail
    assert hum_problems(seen(humming(50.0, (1, 2, 3)) + noise(0)), 3010.0) == ()


def test_a_shaft_as_steady_as_mains_beside_its_frequency_is_open_until_its_speed_is_typed():
    """As of a generator at 3 024 rpm: a grid never is there, a motor may be."""
    recording = Recording((humming(50.4, range(1, 7), 0.3) + noise(2)).astype(np.float32)[None], RATE, (Channel(),))
    track = seek_speed(recording, Settings(test="prop"))
    assert track.confidence < CLAIMED
    assert any("3024 rpm could not be told from mains hum; another speed of the motor tells" in note for note in track.notes)
    typed = seek_speed(recording, Settings(test="prop", speed_rpm=3000.0))
    assert typed.mean_hz == pytest.approx(50.4, rel=1e-4)
    assert typed.confidence >= CLAIMED
    hums = seen(recording.samples[0])
    assert beside(hums, None, 0.0) == beside(hums, 50.4, 1e-4) == beside(hums, 25.2, 1e-4) == ()
    assert beside(hums, 83.0, 1e-4) == hums


# what it does to the orders of a shaft


def test_the_power_of_a_line_of_hum_is_half_the_square_of_its_peak():
    """Parseval's theorem: a sine of amplitude A has the mean square A^2 / 2."""
    (hum,) = seen(humming(50.02, [1], 0.3) + 1e-3 * noise(0))
    assert hum.power[0] == pytest.approx(0.3**2 / 2, rel=0.03)


def test_hum_beside_an_order_is_no_line_of_the_shaft():
    rng = np.random.default_rng(1)
    for at in (49.7, 50.0):
        x = 0.2 * np.sin(2 * np.pi * at * TIME) + 0.02 * rng.standard_normal(TIME.size)
        transform = Transform.of(x.astype(np.float32), RATE)
        signal = angular_signal(transform, (TIME, SHAFT_HZ * TIME), max_order=6, unit="g")
        bare = line_power(signal.spectrum(), 1.0)
        line = line_power(replace(signal, hum=tuple(pair for hum in seen(x) for pair in hum.of(0))).spectrum(), 1.0)
        assert bare.power == pytest.approx(0.02, rel=0.02)  # blocks of 62 turns cannot part the two
        if at == 50.0:
            assert abs(line.power) < 1.96 * line.error
        else:
            assert line.power == pytest.approx(0.02, rel=0.03)


def test_an_order_that_sweeps_past_hum_has_noise_there_and_nowhere_else():
    """A shaft from 30 to 80 turns a second: 1x passes 50 Hz, 2x passes 100 Hz, half-way on; what it then gathers is counted as noise."""
    hz = np.linspace(30, 80, TIME.size)
    x = humming(50.0, (1, 2), 0.3) + 0.02 * np.random.default_rng(4).standard_normal(TIME.size)
    (hum,) = seen(x)
    signal = angular_signal(Transform.of(x.astype(np.float32), RATE), (TIME[::50], (np.cumsum(hz) / RATE)[::50]), max_order=6, unit="g")
    spectrum = replace(signal, hum=tuple(hum.of(0))).spectrum(block_turns=32)
    for order, at_hz in ((1.0, [50.0]), (2.0, [50.0]), (1.5, [50 / 1.5, 100 / 1.5])):
        touched = spectrum.hum_powers(order) > 0
        assert 0.1 < touched.mean() < 0.6
        assert np.abs(spectrum.speed_hz[touched] / np.array(at_hz)[:, None] - 1).min(axis=0).max() < 0.15
        with_it, without = line_power(spectrum, order), line_power(replace(spectrum, hum=()), order)
        assert without.power > max(1.4 * without.error, 4 * abs(with_it.power))
        assert abs(with_it.power) < 1.96 * with_it.error


def test_a_sound_motor_is_not_called_hurt_for_hum_that_falls_on_its_half_orders():
    for seed in CASES:
        craft = replace(draw_craft(8_100_000 + seed), test_rpm=5982.0)
        settings = Settings(test="bare", speed_rpm=5982.0, poles=craft.poles)
        past = [analyze(record(craft, test="bare", take=take, duration_s=6)[0], settings) for take in range(2)]
        humming = [record(craft, test="bare", take=take, duration_s=6, disturbance=Disturbance(hum=0.5))[0] for take in (2, 3)]
        now = [analyze(recording, settings) for recording in humming]
        assert any("mains hum at 50.0" in line for reading in now for line in reading.log)
        assert diagnose(now, references=past).conclusion.condition in ("healthy", "undecided")


def test_hum_of_a_run_up_hides_neither_its_speed_nor_makes_a_resonance():
    for seed in (1, 8):
        craft = draw_craft(8_200_000 + seed)
        plain, loud = (
            analyze(record(craft, test="run-up", disturbance=Disturbance(hum=hum))[0], Settings(test="run-up")) for hum in (0.0, 0.4)
        )
        assert any(line.startswith("mains hum taken out at 50") for line in loud.log)
        assert loud.speed.rpm == pytest.approx(plain.speed.rpm, rel=2e-3)
        assert loud.quantity("resonance").value == pytest.approx(plain.quantity("resonance").value, abs=0.7)
        assert loud.quantity("1x").value == pytest.approx(plain.quantity("1x").value, abs=0.5)


def test_it_is_said_on_which_orders_hum_lies_and_for_how_long_whatever_tells_the_speed():
    """A speed that is raised half-way from 2 700 to 3 000 rpm: hum of 50 Hz is on 1x from then on."""
    hz = np.where(TIME < SECONDS / 2, 45.0, 50.0)
    turns = np.cumsum(hz) / RATE
    x = 0.2 * np.cos(2 * np.pi * turns) + humming(50.0, (1, 2, 3), 0.1) + 0.02 * np.random.default_rng(1).standard_normal(TIME.size)
    samples = np.stack([x, (turns % 1 < 0.1).astype(float)]).astype(np.float32)
    reading = analyze(Recording(samples, RATE, (Channel(), Channel("tacho", "V", "tacho"))), Settings(test="bare"))
    assert reading.speed.method == "tacho"
    (said,) = (line for line in reading.log if "mains hum lies on" in line)
    share = float(said.split(" 1x for ")[1].split(" %")[0])
    assert 40 < share < 60


@pytest.mark.parametrize(("shaft_hz", "may"), [(59.8, True), (119.6, True), (29.9, True), (40.0, True), (45.0, False), (171.0, False)])
def test_a_comb_at_half_the_speed_may_be_a_loose_shafts(shaft_hz, may):
    """Loose parts raise half orders (common practice, no source): lines at 60 Hz and its multiples may be those of a shaft at 120 Hz."""
    hum = Hum(60.0, 59.8, 0.01, np.array([1.0, 2.0]), np.array([59.8, 119.6]), np.ones((1, 2)), np.array([20.0, 20.0]))
    assert hum.may_be(shaft_hz, 0.01) == may
    assert bool(beside([hum], shaft_hz, 0.01)) != may
