"""The loudest rotor of a flight against the others: shares known by construction, and craft that the table was not counted from."""

import os
from dataclasses import replace

import numpy as np
import pytest

from vibekit.analysis import analyze
from vibekit.diagnosis import diagnose
from vibekit.dominance import LEAD, LOUDEST, TURNS, Band, loudest_rotor
from vibekit.dominance_evidence import how_many, odds_of, one_of_four
from vibekit.problem import Problem, Screening
from vibekit.rig import draw_craft, record
from vibekit.rig.flight_band import CutTip, flight_bands
from vibekit.rig.population import ELSEWHERE, USUAL, WIDE
from vibekit.rig_case import SENSORS, rig_settings

FLIGHTS = int(os.environ.get("VIBEKIT_FLIGHTS", "3"))  # whole flights of each population
BANDS = int(os.environ.get("VIBEKIT_FLIGHT_BANDS", "40"))  # flights of which only two bands are made
SECONDS, MEAN_HZ = 20.0, 120.0
APART = [112.0, 117.1, 121.9, 131.0]  # no two of them add up to what the other two do, or their beats would keep step


def band(amplitude, speed_hz, *, order=1, swell=0.0, noise=0.0, seed=0, half_hz=20.0, seconds=SECONDS):
    """Lines of rotors of these amplitudes and speeds; swell: depth to which the first rotor's line comes and goes within two seconds."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * 2 * half_hz)) / (2 * half_hz)
    z = noise * (rng.standard_normal(t.size) + 1j * rng.standard_normal(t.size))
    for i, (a, hz) in enumerate(zip(amplitude, speed_hz, strict=True)):
        wander = np.cumsum(rng.standard_normal(t.size)) * 0.02
        turns = order * (hz - MEAN_HZ) * t + half_hz * t + order * wander / (2 * half_hz) + rng.random()
        z += a * (1 + (swell * np.sin(np.pi * t) if i == 0 else 0)) * np.exp(2j * np.pi * turns)
    return Band(z, 2 * half_hz, order * MEAN_HZ - half_hz)


@pytest.mark.parametrize("over_db", [6.0, 12.0, 18.0, 24.0])
def test_the_loudest_of_four_that_beat_is_as_loud_as_it_was_made(over_db):
    found = [
        loudest_rotor(band([10 ** (over_db / 20), 1, 1, 1], [118.3, 120.6, 122.1, 119.4], seed=seed, noise=0.02), None, 2)[0]
        for seed in range(8)
    ]
    assert np.mean([q.value for q in found]) == pytest.approx(over_db, abs=1.0)  # beats over a second are few
    assert np.mean([abs(q.value - over_db) <= q.u95 + 1.0 for q in found]) >= 0.75


@pytest.mark.parametrize("amplitude", [(1, 1, 1, 1), (0, 0, 0, 0)])
def test_rotors_alike_and_mere_noise_have_no_loudest(amplitude):
    assert loudest_rotor(band(amplitude, APART, noise=0.3), None, 2)[0].value < 5


def test_a_line_that_swells_is_known_by_its_frequency_where_its_blade_pass_stands_alone():
    speeds = [112.0, 103.0, 121.5, 134.0]
    one = band([10, 1, 1, 1], speeds, swell=0.5)
    blade_pass = band([1, 1, 1, 1], speeds, order=2, half_hz=40.0)
    by_beats, both = (loudest_rotor(one, each, 2) for each in (None, blade_pass))
    assert by_beats[0].value < 16 < both[0].value == pytest.approx(20, abs=2)
    assert both[1].value / 60 == pytest.approx(112, abs=0.5)
    hidden = Band(0 * blade_pass.z + band([0] * 4, speeds, order=2, noise=1, half_hz=40.0).z, 80.0, blade_pass.low_hz)
    assert loudest_rotor(one, hidden, 2)[0].value == by_beats[0].value  # who turns where is not known from noise


def test_two_rotors_of_one_speed_are_not_taken_for_one():
    speeds = [119.5, 121.0, 128.0, 112.0]
    one, blade_pass = band([5, 5, 0.5, 0.5], speeds), band([1, 1, 1, 1], speeds, order=2, half_hz=40.0)
    assert loudest_rotor(one, blade_pass, 2)[0].value < 9  # sum p^2 is 1/2, which one of 0.68 and three alike would give too: 8.1 dB


@pytest.mark.parametrize(("loud", "lead"), [(3, 8.7), (0, -7.1)])  # 131 and 112 Hz against the mean of APART, 120.5 Hz
def test_the_lead_is_against_the_mean_of_all_four(loud, lead):
    one = band([10 if i == loud else 1 for i in range(4)], APART)
    found = {q.name: q for q in loudest_rotor(one, band([1, 1, 1, 1], APART, order=2, half_hz=40.0), 2)}
    assert found[LEAD].value == pytest.approx(lead, abs=0.5)
    assert LEAD not in {q.name for q in loudest_rotor(one, None, 2)}


def test_a_rotor_that_stands_out_and_turns_faster_speaks_for_a_blade_that_lost_lift():
    odds = [[odds_of(11.0, lead)[name] for lead in (-6.0, 0.0, 6.0, 12.0)] for name in ("blade-damage", "prop-imbalance")]
    assert np.all(np.diff(odds[0][1:]) > 0.1)
    assert odds[0][3] > 0.7 > max(odds[1])


def test_what_is_left_out_is_not_looked_at_and_too_little_gives_nothing():
    one = band([10, 1, 1, 1], APART)
    rough = one.z.copy()
    rough[200:240] = 100
    kept = loudest_rotor(Band(rough, one.rate_hz, one.low_hz, ((5.0, 6.0),)), None, 2)
    assert kept[0].value == pytest.approx(loudest_rotor(one, None, 2)[0].value, abs=1)
    assert loudest_rotor(Band(one.z, one.rate_hz, one.low_hz, ((0.5, 19.0),)), None, 2) == ()


def test_the_odds_never_fall_as_one_rotor_stands_out_more():
    levels = np.linspace(0, 40, 81)
    for name in ("prop-imbalance", "blade-damage", "rotor-imbalance", "resonance"):
        odds = [odds_of(level)[name] for level in levels]
        assert np.all(np.diff(odds) >= 0)
        assert odds[0] < 0 < odds[-1]


def test_a_cut_tip_loses_the_lift_of_its_elements():
    # blade element theory: thrust of an element goes as radius squared; 10 % of the radius hold 1 - 0.9^3 = 27.1 % of it
    assert CutTip(0.1).lost_lift == pytest.approx(0.271)
    craft = draw_craft(3)
    kept = 1 - 0.271 / craft.blades
    assert CutTip(0.1).faster(craft) ** 2 * kept == pytest.approx(1)


def test_sound_craft_of_another_kind_seldom_look_hurt_and_cut_blades_often_do():
    called = {False: 0, True: 0}
    for seed in range(BANDS):
        craft = draw_craft(7_000_000 + seed, ELSEWHERE)
        for hurt in ((), (CutTip(0.05 + 0.2 * (seed % 9) / 8, seed % 4),)):
            one, blade_pass = flight_bands(craft, SENSORS[seed % 3], hurt, 0)
            level, _, *lead = (q.value for q in loudest_rotor(one, blade_pass if seed % 2 else None, craft.blades))
            called[bool(hurt)] += odds_of(level, *lead)["blade-damage"] > 1.0
    assert called[False] <= max(0.015 * BANDS, 2), called
    assert called[True] >= 0.5 * BANDS, called


def flown(craft, sensor, *, rotor, cut, take=0, known=True):
    """A flight of the rig, of 6 kHz: of a cut blade only the mass is missing, which is what 1x feels of it, and the lift."""
    tip = CutTip(cut)
    gmm = -tip.lines(craft).force[0, 2] / (1e-6 * (2 * np.pi * craft.test_hz) ** 2) if cut else 0
    recording, _ = record(
        craft, rotor=rotor, test="flight", take=take, sensor=sensor, rate_hz=6000, added_gmm=complex(gmm), faster=tip.faster(craft)
    )
    return analyze(recording, rig_settings(craft, "flight", sensor, known=known))


def test_whole_flights_are_judged_without_any_healthy_one():
    """VIBEKIT_FLIGHTS=50 flies that many craft of each population."""
    named, found = [], 0
    for population in (USUAL, WIDE, ELSEWHERE):
        for seed in range(FLIGHTS):
            craft = draw_craft(8_000_000 + seed, population)
            end = diagnose([flown(craft, SENSORS[seed % 3], rotor=0, cut=0.0)]).conclusion
            named += [(seed, end.condition)] if end.condition not in ("healthy", "undecided") else []
            hurt = diagnose([flown(craft, SENSORS[seed % 3], rotor=seed % 4, cut=0.05 + 0.2 * (seed % 9) / 8, take=1)]).conclusion
            found += hurt.condition in ("prop-imbalance", "blade-damage", "rotor-imbalance")
    assert len(named) <= max(0.01 * 3 * FLIGHTS, 1), named
    assert found >= 0.2 * 3 * FLIGHTS, found  # small cuts of many blades, on badly balanced craft, stay open


@pytest.fixture(scope="module")
def flights():
    """A craft with a cut blade, and twice sound."""
    craft = draw_craft(8_000_000)
    return [flown(craft, "contact", rotor=1, cut=cut, take=take) for take, cut in enumerate((0.13, 0.0, 0.0))]


def test_the_hint_tells_speed_but_no_arm_and_counts_once_beside_a_healthy_flight(flights):
    hurt, sound, again = flights
    found = one_of_four([hurt], [])
    assert f"{hurt.quantity(LOUDEST).value:.1f} dB" in found.text
    assert f"{hurt.quantity(TURNS).value:.0f} rpm" in found.text
    assert "on which arm it sits one sensor cannot tell" in found.text
    assert found.odds["prop-imbalance"] > 1
    beside = one_of_four([hurt], [sound])
    assert "in its healthy flights" in beside.text
    assert max(one_of_four([again], [sound]).odds.values()) < 0.2
    rise = dict.fromkeys(beside.odds, 9.0)  # 1x tells more than the level can: what is left is the lead
    assert one_of_four([hurt], [sound], rise).odds == pytest.approx(lead_odds(hurt, sound))
    half = one_of_four([hurt], [sound], {"prop-imbalance": beside.odds["prop-imbalance"] / 2}).odds["prop-imbalance"]
    assert half + beside.odds["prop-imbalance"] / 2 == pytest.approx(beside.odds["prop-imbalance"])  # the stronger of the two, once


def lead_odds(now, past):
    each, before = (odds_of(None, reading.quantity(LEAD).value) for reading in (now, past))
    return {name: value - max(before[name], 0) for name, value in each.items()}


def test_healthy_flights_that_cannot_be_compared_take_nothing_away_but_what_they_show(flights):
    hurt, sound, _ = flights
    cut_off = replace(hurt, screening=Screening((Problem("clipping", "warning", "clipped"),)))
    assert diagnose([hurt]).conclusion.condition not in ("healthy", "undecided")
    end = diagnose([cut_off], references=[sound]).conclusion
    assert end.condition not in ("healthy", "undecided")
    assert "Not compared with the healthy recordings" in end.reason
    assert max(one_of_four([cut_off], [replace(hurt)]).odds.values()) == pytest.approx(0)  # it was so when it was sound


def test_it_is_said_how_many_may_be_hurt_and_what_tells_which(flights):
    hurt = flights[0]
    reason = diagnose([hurt]).conclusion.reason
    assert "One rotor has" in reason
    assert "record each rotor by itself" in reason
    alike = replace(hurt, quantities=tuple(replace(q, value=5.0) if q.name == LOUDEST else q for q in hurt.quantities))
    assert "more than one may be hurt" in how_many([alike])
    assert how_many([replace(hurt, settings=replace(hurt.settings, test="prop"))]) == ""


@pytest.mark.parametrize("test", ["prop", "bare"])
def test_one_motor_on_a_bench_that_was_said_to_fly_is_told_and_not_called_hurt(test):
    craft = draw_craft(43_000_003)
    recording, _ = record(
        craft, rotor=0, test=test, take=0, sensor="contact", rate_hz=6000, duration_s=6.0, added_gmm=complex(4 * craft.prop_g)
    )
    reading = analyze(recording, rig_settings(craft, "flight", "contact", known=True))
    assert next(p for p in reading.screening.problems if p.code == "one-rotor").detail.count("--test") == 2
    assert reading.quantity(LOUDEST) is None
    flight = flown(craft, "contact", rotor=0, cut=0.0)
    for past in ([], [flight]):
        assert diagnose([reading], references=past).conclusion.condition == "undecided"
    assert "one-rotor" not in {p.code for p in flight.screening.problems}
