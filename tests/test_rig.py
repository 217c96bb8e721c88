"""The rig against physics worked out elsewhere: each check names its formula or table."""

import math
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from scipy import fft

from tests.ruler import line, squared_envelope
from vibekit.bearing import Bearing
from vibekit.errors import UsageError
from vibekit.rig import CONDITIONS, Disturbance, Fault, draw_craft, record
from vibekit.rig.clicks import cage_factor
from vibekit.rig.fault import ON_THE_PROPELLER
from vibekit.rig.forces import blade_sum, unbalance
from vibekit.rig.hand_spin import Rotor, coast_down
from vibekit.rig.motion import drift

CWRU = Bearing(9, 7.94, 39.04)  # 6205-2RS, Smith & Randall, Mech. Syst. Signal Process. 64-65 (2015) 100-131


def stiff(craft, *, modes=()):
    """The same craft on arms without resonances: the sensor feels force over mass."""
    return replace(craft, motors=tuple(replace(motor, modes=modes) for motor in craft.motors))


def quiet(craft):
    """Nothing turns out of balance, no blade is unlike, bells run true: only what a test puts there is left."""
    motors = [replace(m, bell_gmm=0j, prop_gmm=0j, lift=(1.0,) * craft.blades, runout=(), wash=0.0) for m in craft.motors]
    return replace(craft, motors=tuple(motors))


# --- unbalance and frame ---------------------------------------------------------------------------------------------


def test_a_gram_millimetre_at_10000_rpm_pulls_1_0966_newton():
    # F = m r w^2, exact
    craft = replace(draw_craft(1), test_rpm=10000)
    assert abs(unbalance(craft, 1.0).force[0, 2]) == pytest.approx(1.0966, abs=1e-4)


def test_an_ounce_inch_at_1000_rpm_pulls_1_775_pound():
    # the "1.77 (rpm / 1000)^2" rule of balancing handbooks (from memory); 1 oz-in = 720.078 g*mm, 1 lbf = 4.44822 N
    craft = replace(draw_craft(1), test_rpm=1000)
    assert abs(unbalance(craft, 720.078).force[0, 2]) / 4.44822 == pytest.approx(1.77521, rel=1e-4)


def test_the_accelerometer_reads_force_over_mass_on_a_stiff_arm():
    # a = m r w^2 / M; a turning force on an axis of direction (x, y, z) shows sqrt(x^2 + y^2) of it
    craft = quiet(stiff(draw_craft(3)))
    craft = replace(craft, motors=tuple(replace(motor, bell_gmm=2j) for motor in craft.motors))
    recording, truth = record(craft, test="bare", sensor="accelerometer")
    hz = truth.mean_rpm / 60
    expected = 2e-6 * (2 * math.pi * hz) ** 2 / craft.arm_kg * math.hypot(*craft.axis[:2])
    gain = abs(line(recording, truth, 1)) / expected
    assert 20 * abs(math.log10(gain)) < 3 * craft.gain_scatter_db  # the sensor's place differs between takes
    assert truth.amplitude[1.0] == pytest.approx(abs(line(recording, truth, 1)), rel=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_what_the_truth_says_of_the_orders_is_what_the_recording_holds(seed):
    craft = draw_craft(seed)
    recording, truth = record(craft, fault=Fault("bent-shaft", 8.0), sensor="accelerometer", duration_s=10)
    for order in (1.0, 2.0):
        # speed wander moves the frame's gain; noise of a 10 s estimate is under 1 %
        assert abs(line(recording, truth, order)) == pytest.approx(truth.amplitude[order], rel=0.05)


def test_1x_grows_with_the_square_of_speed_away_from_resonance():
    craft = stiff(draw_craft(4))
    slow, fast = (record(craft, test="bare", sensor="accelerometer", speed_rpm=rpm) for rpm in (4000, 8000))
    speed = fast[1].mean_rpm / slow[1].mean_rpm
    assert abs(line(*fast, 1)) / abs(line(*slow, 1)) == pytest.approx(speed**2, rel=0.01)


def test_a_resonance_peaks_at_a_fixed_frequency_in_a_run_up_and_turns_the_phase_by_half_a_turn():
    # Ewins, Modal Testing (2nd ed. 2000), ch. 2: peak at the natural frequency, phase through 180 degrees, for light damping
    craft = stiff(draw_craft(2))
    recording, truth = record(craft, test="run-up", fault=Fault("resonance", 30.0), sensor="accelerometer", duration_s=20)
    turns, hz = truth.turns[0], truth.speed_hz[0]
    turned = recording.samples[0] * np.exp(-2j * np.pi * turns)
    block = 4800
    track = turned[: turned.size // block * block].reshape(-1, block).mean(axis=1)
    speed = hz[: turned.size // block * block].reshape(-1, block).mean(axis=1)
    response = np.abs(track) / speed**2
    peak = int(response.argmax())
    assert speed[peak] == pytest.approx(craft.test_hz, rel=0.03)
    below, above = (int(np.argmin(np.abs(speed / craft.test_hz - share))) for share in (0.9, 1.1))
    turn = abs(np.degrees(np.angle(track[above] / track[below])))
    assert 120 < turn < 240


# --- blades ----------------------------------------------------------------------------------------------------------


def test_unlike_blades_show_the_orders_that_equal_ones_cancel():
    # |sum_b a_b exp(-2 pi i q b / B)|: a = (1, 0.9) gives 0.1 at order 1 and 1.9 at order 2 (superposition, exact)
    assert np.abs(blade_sum([1, 0.9], np.array([1, 2, 3]))) == pytest.approx([0.1, 1.9, 0.1])
    assert np.abs(blade_sum([1, 1, 1], np.arange(1, 7))) == pytest.approx([0, 0, 3, 0, 0, 3], abs=1e-12)


def test_a_damaged_blade_brings_orders_between_blade_pass_to_the_microphone():
    craft = quiet(next(c for c in map(draw_craft, range(50)) if c.blades == 3))
    sound, truth = record(craft, sensor="microphone", refit=0)
    hurt, hurt_truth = record(craft, sensor="microphone", refit=0, fault=Fault("blade-damage", 100.0))
    assert hurt_truth.size > 0.1  # of a blade's lift
    for order in (2, 4, 5):
        assert abs(line(hurt, hurt_truth, order)) > 5 * abs(line(sound, truth, order))
    assert abs(line(hurt, hurt_truth, 3)) < 1.05 * abs(line(sound, truth, 3))  # less lift, not more, at blade pass


# --- bearings --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("condition", "order"),
    # published orders of this bearing; a spot on a ball strikes both races, so at twice 2.357
    [("bearing-outer", 3.5848), ("bearing-inner", 5.4152), ("bearing-ball", 4.7134), ("bearing-cage", 0.39828)],
)
def test_a_race_defect_strikes_at_its_published_order_within_slip(condition, order):
    craft = replace(draw_craft(6), bearing=CWRU, test_rpm=6000)
    recording, truth = record(craft, test="bare", fault=Fault(condition, 16.0), duration_s=5)
    assert truth.strike_order == pytest.approx(order, abs=2e-4)
    frequency, spectrum = squared_envelope(recording, 2000, 10800)
    at = frequency * 60 / truth.mean_rpm
    near = np.abs(at / order - 1) < 0.2
    found = at[near][spectrum[near].argmax()]
    assert found == pytest.approx(order, rel=0.015)  # slip 1 to 2 %, Randall & Antoni, Mech. Syst. Signal Process. 25 (2011), sec. 2


def test_an_inner_race_defect_has_sidebands_at_the_shaft():
    # load-zone modulation: Randall & Antoni 2011, sec. 2
    craft = replace(draw_craft(6), bearing=CWRU, test_rpm=6000)
    recording, truth = record(craft, test="bare", fault=Fault("bearing-inner", 30.0), duration_s=5)
    frequency, spectrum = squared_envelope(recording, 2000, 10800)
    at = frequency * 60 / truth.mean_rpm
    level = {order: spectrum[np.abs(at - order) < 0.03].max() for order in (4.4152, 5.4152, 6.4152, 4.9)}
    assert min(level[4.4152], level[6.4152]) > 2 * level[4.9]


def test_a_worn_cage_modulates_as_textbook_amplitude_modulation():
    # (1 + m cos)^2 has lines 2 m and m^2 / 2; m = 0.6 gives 1.2 and 0.18 (Randall & Antoni 2011: squared envelope)
    craft = draw_craft(0)
    turns = np.arange(1000) / 1000 / craft.bearing.cage
    spectrum = 2 * np.abs(fft.rfft(cage_factor(craft, 0.6, turns) ** 2)) / 1000
    assert spectrum[1:3] == pytest.approx([1.2, 0.18])


def test_grit_has_no_steady_order_but_makes_the_sound_impulsive():
    # kurtosis of Gaussian noise is 3 (exact); random strikes raise it
    craft = draw_craft(8)

    def kurtosis(fault):
        recording, _ = record(craft, test="bare", fault=fault, sensor="accelerometer")
        spectrum = fft.rfft(recording.samples[0])
        spectrum[fft.rfftfreq(recording.samples.shape[1], 1 / recording.rate_hz) < 3000] = 0
        x = fft.irfft(spectrum, recording.samples.shape[1])[500:-500]
        return float(np.mean(x**4) / np.mean(x**2) ** 2)

    assert kurtosis(None) == pytest.approx(3, abs=0.5)
    assert kurtosis(Fault("bearing-grit", 8.0)) > 4


# --- motor -----------------------------------------------------------------------------------------------------------


def test_magnets_show_at_the_pole_pair_order_six_times_it_and_the_cogging_order():
    # 14 poles at 6000 rpm: 700 Hz (order 7), commutation 42 (Hanselman, from memory); cogging LCM(12, 14) = 84 (Bianchi & Bolognani 2002)
    craft = next(c for c in map(draw_craft, range(50)) if c.poles == 14)
    craft = quiet(replace(craft, wander=1e-5, motors=tuple(replace(m, electrical=(1 + 0j,) * 4) for m in craft.motors)))
    recording, truth = record(craft, test="bare", sensor="accelerometer", speed_rpm=6000, duration_s=5)
    heard = {order: abs(line(recording, truth, order)) for order in (7, 42, 84, 8, 41, 85)}
    assert min(heard[7], heard[42], heard[84]) > 20 * max(heard[8], heard[41], heard[85])
    hz = truth.mean_rpm / 60
    spectrum = np.abs(fft.rfft(recording.samples[0] * np.hanning(recording.samples.shape[1])))
    frequency = fft.rfftfreq(recording.samples.shape[1], 1 / recording.rate_hz)
    below = (frequency > 300) & (frequency < 1000)
    assert frequency[below][spectrum[below].argmax()] == pytest.approx(7 * hz, abs=0.5)


def test_electrical_lines_need_current():
    craft = draw_craft(9)
    by_hand = [record(craft, test="hand-spin", fault=fault)[0].samples for fault in (None, Fault("electrical", 8.0))]
    assert np.array_equal(*by_hand)


# --- motion ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("viscous", "drag", "stop_s"),
    # J dw/dt = -(a + b w + c w^2) from 10 000 rpm, J = 2e-6, a = 1.5e-4: closed forms, checked by an ODE solver
    [(0.0, 0.0, 13.96263), (2e-7, 0.0, 8.739106), (0.0, 3e-10, 9.210148), (2e-7, 3e-10, 7.009007)],
)
def test_coast_downs_stop_when_the_closed_form_says(viscous, drag, stop_s):
    rotor = Rotor(inertia=2e-6, dry=1.5e-4, viscous=viscous, drag=drag)
    time, _, speed = coast_down(np.random.default_rng(0), rotor, first_hz=10000 / 60)
    assert time[-1] == pytest.approx(stop_s, rel=1e-6)
    assert speed[0] == pytest.approx(10000 / 60)
    assert speed[-1] == 0


def test_speed_wander_forgets_as_an_ornstein_uhlenbeck_process():
    # variance 1, correlation exp(-tau / memory): Uhlenbeck & Ornstein 1930
    x = drift(np.random.default_rng(1), 1_000_000, 100, 0.5)[::10]  # knots every 0.1 s
    assert np.var(x) == pytest.approx(1, abs=0.05)
    assert np.mean(x[:-5] * x[5:]) == pytest.approx(math.exp(-1), abs=0.04)


def test_in_a_flight_four_rotors_turn_a_little_apart():
    craft = draw_craft(10)
    _, truth = record(craft, test="flight", sensor="microphone")
    speeds = truth.speed_hz.mean(axis=1)
    assert truth.rotors[0] == 0
    assert sorted(truth.rotors) == [0, 1, 2, 3]
    apart = np.abs(speeds[1:] - speeds[0])
    assert apart.min() > 0.2
    assert apart.max() < 8


# --- where a fault shows ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("condition", ON_THE_PROPELLER)
def test_what_is_wrong_with_a_propeller_is_gone_without_it(condition):
    craft = draw_craft(11)
    bare = [record(craft, test="bare", fault=fault)[0].samples for fault in (None, Fault(condition, 8.0))]
    assert np.array_equal(*bare)


def test_a_fault_on_another_rotor_does_not_show():
    craft = draw_craft(12)
    other = [record(craft, rotor=0, fault=fault)[0].samples for fault in (None, Fault("rub", 8.0, rotor=1))]
    assert np.array_equal(*other)


def test_refitting_changes_a_loose_propeller_more_than_a_loose_mount():
    craft = quiet(draw_craft(13))

    def half_orders(condition, refit):
        recording, truth = record(craft, fault=Fault(condition, 8.0), refit=refit, sensor="accelerometer")
        return np.array([abs(line(recording, truth, order)) for order in (0.5, 1.5, 2.5)])

    def change(condition):
        first, second = half_orders(condition, 0), half_orders(condition, 1)
        return float(np.max(np.abs(np.log(second / first))))

    assert change("loose-propeller") > 3 * change("loose-mount")


def test_a_bent_shaft_shakes_along_the_shaft():
    # strong axial part: Eisenmann & Eisenmann, Machinery Malfunction Diagnosis and Correction (1998), from memory
    craft = stiff(draw_craft(14))

    def axial_share(condition):
        recording, truth = record(craft, test="bare", fault=Fault(condition, 8.0), sensor="accelerometer", axes=3)
        x, y, z = (abs(line(recording, truth, 1, row)) for row in range(3))
        return z / math.hypot(x, y)

    assert axial_share("bent-shaft") > 0.4
    assert axial_share("rotor-imbalance") < 0.1


# --- the same again --------------------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_craft_and_samples_in_any_order():
    craft = draw_craft(15)
    assert craft == draw_craft(15)
    assert craft != draw_craft(16)
    first = record(craft, take=1, fault=Fault("rub", 4.0))[0].samples
    record(craft, take=2)
    again = record(draw_craft(15), take=1, fault=Fault("rub", 4.0))[0].samples
    assert np.array_equal(first, again)
    assert not np.array_equal(first, record(craft, take=2, fault=Fault("rub", 4.0))[0].samples)


def test_the_population_is_as_wide_as_it_says():
    crafts = [draw_craft(seed) for seed in range(200)]
    rpm = [craft.test_rpm for craft in crafts]
    assert min(rpm) >= 4000
    assert max(rpm) <= 20000
    assert max(rpm) > 3 * min(rpm)
    assert {craft.blades for craft in crafts} == {2, 3, 4}
    for craft in crafts:
        for mode in (mode for motor in craft.motors for mode in motor.modes):
            assert abs(mode.frequency_hz / craft.test_hz - 1) > 0.1  # 15 % as drawn, arms unlike by up to 4 %
            assert 0.005 < mode.damping < 0.15


# --- sensors and what spoils them ------------------------------------------------------------------------------------


def test_a_phones_stamps_repeat_and_its_rate_is_still_found():
    recording, _ = record(draw_craft(17), sensor="phone-motion", duration_s=20)
    assert recording.stamp_s is not None
    assert np.any(np.diff(recording.stamp_s) == 0)
    assert recording.rate_hz == pytest.approx(99.3, rel=0.003)
    assert abs(recording.rate_hz - 99.3) < 3 * recording.rate_u95_hz


def test_a_phone_folds_a_shaft_it_is_too_slow_for():
    # sampling theorem: f shows at |f - k fs|
    craft = quiet(stiff(replace(draw_craft(17), wander=1e-5)))
    craft = replace(craft, motors=tuple(replace(motor, bell_gmm=5j) for motor in craft.motors))
    recording, truth = record(craft, test="bare", sensor="phone-motion", duration_s=20)
    hz = truth.mean_rpm / 60
    alias = abs(hz - round(hz / 99.3) * 99.3)
    x = recording.samples[0] - recording.samples[0].mean()
    spectrum = np.abs(fft.rfft(x * np.hanning(x.size)))
    assert fft.rfftfreq(x.size, 1 / 99.3)[spectrum.argmax()] == pytest.approx(alias, abs=0.15)


def test_a_tacho_gives_a_pulse_a_turn():
    recording, truth = record(draw_craft(18), tacho=True)
    (row,) = recording.rows("tacho")
    assert recording.samples[row].sum() == pytest.approx(truth.turns[0][-1] - truth.turns[0][0], abs=1)


def test_sound_is_stored_in_16_bits():
    recording, _ = record(draw_craft(19), sensor="microphone")
    assert np.array_equal(recording.samples * 32768, np.round(recording.samples * 32768))


def test_disturbances_do_what_they_say():
    craft = draw_craft(20)

    def samples(**kinds):
        recording, _ = record(craft, disturbance=Disturbance(**kinds))
        return recording.samples[0]

    clean = samples()
    assert np.sum(samples(overload_db=6.0) >= 32767 / 32768) > 10
    edges = np.flatnonzero(np.diff(np.r_[0, samples(gaps=3) == 0, 0]))
    assert np.diff(edges)[::2].max() >= 120  # 5 ms
    frequency = fft.rfftfreq(clean.size, 1 / 24000)
    coded = np.abs(fft.rfft(samples(band_hz=4000.0)))
    assert coded[frequency > 6000].max() < 0.01 * coded[(frequency > 100) & (frequency < 3500)].max()
    hum = np.abs(fft.rfft(samples(hum=0.5) - clean))
    assert frequency[hum.argmax()] == pytest.approx(50, abs=0.5)
    controlled = samples(gain_control=True) / np.where(clean == 0, np.inf, clean)
    early, late = np.median(controlled[1000:3000]), np.median(controlled[-2000:])
    assert late > 2 * early
    assert np.abs(samples(knocks=1)).max() > 3 * np.abs(clean).max()


def test_neighbours_bring_their_own_1x():
    craft = draw_craft(21)
    recording, truth = record(craft, disturbance=Disturbance(neighbours=0.5))
    assert len(truth.rotors) == 4
    alone, _ = record(craft)
    assert recording.samples.std() != pytest.approx(alone.samples.std(), rel=1e-6)


@pytest.mark.parametrize(
    "wrong",
    [
        {"rotor": 4},
        {"take": -1},
        {"test": "hover"},
        {"sensor": "laser"},
        {"axes": 3},
        {"axes": 2, "sensor": "accelerometer"},
        {"rate_hz": 1000.0},
        {"duration_s": 0.0},
        {"speed_rpm": -1.0},
    ],
)
def test_what_is_not_allowed_is_said_in_one_line(wrong):
    with pytest.raises(UsageError) as error:
        record(draw_craft(0), **wrong)
    assert "\n" not in str(error.value)


def test_faults_that_do_not_exist_are_refused():
    with pytest.raises(UsageError):
        Fault("worn", 1.0)
    with pytest.raises(UsageError):
        Fault("rub", -1.0)
    with pytest.raises(UsageError):
        draw_craft(-1)


def test_every_condition_can_be_recorded_in_every_test_with_every_sensor():
    craft = draw_craft(22)
    for number, condition in enumerate(CONDITIONS):
        for test in ("hand-spin", "bare", "prop", "run-up", "flight"):
            sensor = ("contact", "microphone", "accelerometer", "phone-motion")[number % 4]
            recording, truth = record(craft, test=test, fault=Fault(condition, 4.0), sensor=sensor, duration_s=0.5)
            assert np.all(np.isfinite(recording.samples))
            assert truth.turns.shape[1] == recording.samples.shape[1]


def test_the_rig_imports_nothing_heavy():
    code = "import sys, vibekit.rig; print([m for m in ('scipy.signal', 'matplotlib', 'librosa', 'sqlalchemy') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"
