"""Differences between recordings, against what repeating gives."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from vibekit.change import PLACED, change, louder, nearest, why_not_compared
from vibekit.gain import MOST_DB, common_gain
from vibekit.reading import LinePower, Quantity, Reading, SpeedResult
from vibekit.repeatability import Repeatability, Spread
from vibekit.screening import Problem, Screening
from vibekit.settings import Settings

WORTH = 6.0
TENTH = Repeatability({(name, "bare", "contact"): Spread(0.1, WORTH, 0.0) for name in ("1x", "half orders", "electrical lines")})
NOISE = 1e-8
BANDS = [(125, -80.0), (250, -82.0), (500, -84.0), (1000, -86.0), (2000, -88.0)]
LINES = {2.0: 0.05, 3.0: 0.02, 4.0: 0.01}


def reading(amplitude, rpm=6000.0, problems=(), noise=NOISE, others=(), bands=()):
    """A bare run with 1x of this peak amplitude, `others` as {order: amplitude}, and octave bands in dB."""
    lines = {1.0: amplitude, **dict(others)}
    powers = [LinePower(order, a**2 / 2, noise / 2, noise, "FS") for order, a in lines.items()]
    return Reading(
        file="", sha256="", rate_hz=24000.0, duration_s=2.5, channels=(("vibration", "FS"),),
        settings=Settings(test="bare", sensor="contact", poles=14), screening=Screening(problems),
        speed=SpeedResult("typed", rpm, 1.0, rpm, rpm), orders=(), engine="", curves=(), powers=tuple(powers),
        quantities=tuple(Quantity(f"octave {hz} Hz", level, 0.1, "dB") for hz, level in bands),
    )  # fmt: skip


def test_a_line_above_its_references_is_found_with_its_interval():
    moved = change("1x", [reading(0.2)], [reading(0.1), reading(0.1)], TENTH)
    assert moved.delta == pytest.approx(20 * np.log10(2), rel=1e-4)
    assert (moved.compared, moved.references) == (1, 2)
    # Student's t of the relative difference, turned into the normal deviate of equal chance: scipy.stats as the second implementation
    spread = 0.1 * np.sqrt(WORTH / (WORTH + 1))
    assert moved.z == pytest.approx(-stats.norm.ppf(stats.t.sf(1 / (spread * np.sqrt(1 + 1 / 2)), WORTH + 1)), rel=1e-3)


def test_the_interval_holds_the_truth():
    # JCGM 100:2008, 2.3.5: of intervals at 95 % level of confidence about 95 in 100 hold the true value
    draw = np.random.default_rng(1)
    held = 0
    for _ in range(2000):
        before = [reading(0.1 * (1 + 0.1 * x)) for x in draw.standard_normal(4)]
        after = [reading(0.15 * (1 + 0.1 * x)) for x in draw.standard_normal(2)]
        moved = change("1x", after, before, TENTH)
        held += abs(moved.delta - 20 * np.log10(1.5)) < moved.u95
    assert 0.93 < held / 2000 < 0.98


def test_nothing_changed_is_seldom_called_a_change():
    draw = np.random.default_rng(2)
    z = [change("1x", *([reading(0.1 * (1 + 0.1 * x)) for x in draw.standard_normal(n)] for n in (2, 4)), TENTH).z for _ in range(2000)]
    assert stats.kstest(z, "norm").statistic < 0.04


def test_force_of_unbalance_grows_with_the_square_of_speed():
    # Rao, Mechanical Vibrations, section 9.4: F = m r w^2
    assert change("1x", [reading(0.1 * 1.05**2, rpm=6300.0)], [reading(0.1)], TENTH).delta == pytest.approx(0.0, abs=1e-3)


SEATED = {float(order): 0.05 for order in range(2, 13)}


def test_a_new_seat_that_scatters_all_lines_is_learned_from_them():
    """Each line goes its own way by 4.3 dB; left as it was, nearly every one would stand out by 2.5 deviations."""
    draw = np.random.default_rng(5)

    def seen(fault):
        to = np.exp(0.5 * draw.standard_normal(12))
        after = reading(0.1 * fault * to[0], others={o: 0.05 * x for o, x in zip(SEATED, to[1:], strict=True)})
        return change("1x", [after], [reading(0.1, others=SEATED)], TENTH)

    sound, hurt = [seen(1.0) for _ in range(500)], [seen(8.0) for _ in range(200)]
    assert np.mean([abs(moved.z) > 2.5 for moved in sound]) < 0.1
    assert np.mean([abs(moved.delta) < moved.u95 for moved in sound]) > 0.9
    assert np.mean([moved.z > 2.5 for moved in hurt]) > 0.9


def test_lines_that_stayed_where_they_were_leave_a_change_as_sure_as_few_lines_do():
    few = change("1x", [reading(0.2)], [reading(0.1)], TENTH)
    many = change("1x", [reading(0.2, others=SEATED)], [reading(0.1, others=SEATED)], TENTH)
    assert many.z == pytest.approx(few.z)


def test_at_two_speeds_ratios_count_by_their_logarithm():
    """Of a mode that answers at one of them the mean of amplitudes would make 20 dB."""
    before = [reading(0.1), reading(0.1, rpm=8000.0)]
    one = change("1x", [reading(2.0), reading(0.09, rpm=8000.0)], before, TENTH)
    both = change("1x", [reading(0.42), reading(0.43, rpm=8000.0)], before, TENTH)
    assert one.delta == pytest.approx(20 * np.log10(np.sqrt(20 * 0.9)), abs=0.01)
    assert both.delta == pytest.approx(one.delta, abs=0.1)
    assert one.z < 0.6 * both.z
    assert one.u95 > 20 > 2.5 > both.u95


def test_recordings_far_apart_in_speed_are_not_compared():
    assert change("1x", [reading(0.2, rpm=9000.0)], [reading(0.1)], TENTH) is None


def test_the_nearest_speeds_are_taken():
    references = [reading(0.1, rpm=rpm) for rpm in (5500.0, 5990.0, 6020.0, 8000.0)]
    assert [r.speed.rpm for r in nearest(reading(0.1), references)] == [5990.0, 6020.0]


def test_a_recording_with_gain_control_is_compared_with_nothing():
    pumped = reading(0.2, problems=(Problem("gain-control", "warning", "the gain was changed"),))
    assert change("1x", [pumped], [reading(0.1)], TENTH) is None
    assert change("1x", [reading(0.2)], [pumped], TENTH) is None


def test_scatter_of_the_references_widens_the_interval():
    steady = change("1x", [reading(0.2)], [reading(0.1)] * 3, TENTH)
    scattered = change("1x", [reading(0.2)], [reading(a) for a in (0.05, 0.1, 0.15)], TENTH)
    assert scattered.u95 > 1.5 * steady.u95
    assert scattered.z < steady.z


def test_a_line_seen_in_neither_has_not_changed():
    hidden = [reading(a, noise=1e-4) for a in (1e-4, 3e-3)]
    assert abs(change("1x", hidden[:1], hidden[1:], TENTH).z) < 0.1


def test_a_row_of_lines_that_each_rise_a_little_stands_out_as_a_whole():
    halves = [k + 0.5 for k in range(10)]
    before = [reading(0.1, others=dict.fromkeys(halves, 0.01), bands=BANDS)] * 3
    after = [reading(0.1, others=dict.fromkeys(halves, 0.0118), bands=BANDS)]
    each = change("1x", [reading(0.118)], [reading(0.1)] * 3, TENTH).z
    # Stouffer's sum of ten equal deviates is sqrt(10) times one of them
    assert change("half orders", after, before, TENTH).z == pytest.approx(np.sqrt(10) * each, rel=0.02)


def test_the_one_line_that_rises_is_named_and_pays_for_being_picked():
    before = [reading(0.1, others=dict.fromkeys((7, 14, 28, 40, 41, 42, 43, 44), 0.01))] * 3
    after = [reading(0.1, others=dict.fromkeys((7, 28, 40, 41, 42, 43, 44), 0.01) | {14: 0.02})]
    moved = change("electrical lines", after, before, TENTH)
    alone = change("1x", [reading(0.2)], [reading(0.1)] * 3, TENTH)
    assert moved.order == 14
    assert moved.delta == pytest.approx(alone.delta, rel=0.02)
    # Sidak: 1 - (1 - p)^8, about 8 p when p is small
    assert stats.norm.sf(moved.z) == pytest.approx(8 * stats.norm.sf(alone.z), rel=0.1)


@pytest.mark.parametrize("other", [{"test": "prop"}, {"sensor": "microphone"}, {"setup": "on the other arm"}])
def test_levels_are_compared_only_within_one_test_and_set_up(other):
    elsewhere = reading(0.1)
    elsewhere = replace(elsewhere, settings=replace(elsewhere.settings, **other))
    assert change("1x", [reading(0.2)], [elsewhere], TENTH) is None


def test_a_sensor_put_back_with_other_gain_is_no_change_of_the_machine():
    gain = 10 ** (1.5 / 20)
    louder = reading(0.1 * gain, others={o: a * gain for o, a in LINES.items()}, bands=[(hz, db + 1.5) for hz, db in BANDS])
    usual = [reading(0.1, others=LINES, bands=BANDS)] * 3
    own, others = common_gain(louder, usual)
    assert own == pytest.approx(1.5, abs=0.01)
    assert others == pytest.approx([0.0] * 3, abs=1e-9)
    assert change("1x", [louder], usual, TENTH).delta == pytest.approx(0.0, abs=0.01)


def test_what_only_some_lines_or_bands_do_is_no_gain():
    usual = [reading(0.1, others=LINES, bands=BANDS)] * 3
    uneven = reading(0.4, others=LINES, bands=BANDS)
    rough = reading(0.1, others=LINES, bands=[*BANDS[:2], *((hz, db + 12) for hz, db in BANDS[2:])])
    assert common_gain(uneven, usual)[0] == pytest.approx(0.0, abs=0.01)
    assert common_gain(rough, usual)[0] == pytest.approx(0.0, abs=0.01)


def test_lines_and_bands_that_all_move_alike_are_the_gain_however_far_where_nothing_is_calibrated():
    lines = LINES | {5.0: 0.01, 6.0: 0.02}
    usual = [reading(0.1, others=lines, bands=BANDS)] * 3
    loud = reading(0.3, others={o: 3 * a for o, a in lines.items()}, bands=[(hz, db + 20 * np.log10(3)) for hz, db in BANDS])
    assert change("1x", [loud], usual, TENTH).delta == pytest.approx(0.0, abs=0.01)
    assert louder([loud], usual).startswith("every line and band is 10 dB louder alike")
    assert louder(usual, usual) == ""
    known = replace(loud, channels=(("vibration", "m/s2"),))
    assert common_gain(known, usual)[0] == MOST_DB
    hurt = reading(1.0, others={o: 10 * a for o, a in lines.items()}, bands=[(hz, db + 12) for hz, db in BANDS])
    assert common_gain(hurt, usual)[0] == MOST_DB  # its lines rose by more than its noise


def test_more_than_a_sensor_put_back_can_do_is_the_machine():
    loud = reading(1.0, others={o: 10 * a for o, a in LINES.items()}, bands=[(hz, db + 20) for hz, db in BANDS])
    usual = [reading(0.1, others=LINES, bands=BANDS)] * 3
    assert common_gain(loud, usual)[0] == MOST_DB
    assert change("1x", [loud], usual, TENTH).delta == pytest.approx(20 - MOST_DB, abs=0.01)


@pytest.mark.parametrize(("method", "estimated"), [("estimated", True), ("tacho", False)])
def test_speeds_too_far_apart_to_compare_are_named(method, estimated):
    slow, *others = [reading(0.1, rpm) for rpm in (2238.0, 7530.0, 7666.0)]
    slow = replace(slow, speed=replace(slow.speed, method=method))
    why = why_not_compared([slow], others)
    assert "(2238 rpm)" in why
    assert "(7530 to 7666 rpm)" in why
    assert ("state it where it was estimated wrong" in why) is estimated


@pytest.mark.parametrize("speeds", [1, 3])
def test_levels_of_one_line_at_two_places_of_a_room_scatter_with_the_tails_of_their_t(speeds):
    """Either power is exponential where many echoes add (Schroeder, J. Acoust. Soc. Am. 34 (1962) 1819-1823: from memory)."""
    power = np.random.default_rng(4).exponential(size=(2, speeds, 200_000))
    moved = np.log(power[0] / power[1]).mean(axis=0)
    students = stats.t(4 + PLACED * speeds)
    for times in (2.0, 3.0):
        beyond = np.mean(np.abs(moved) > times * moved.std())
        assert beyond == pytest.approx(2 * students.sf(times * students.std()), rel=0.15)
