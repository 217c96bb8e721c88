"""1x of a run-up against an earlier one: a mode that is new raises it at one speed, a force at all of them."""

import os

import numpy as np
import pytest

from vibekit import lone_rise as lone_rise_file
from vibekit.change import Pairing, pair_up
from vibekit.lone_rise import lone_rise
from vibekit.observation import LONE, STEPS, observe
from vibekit.problem import Screening
from vibekit.reading import Curve, Reading, SpeedResult
from vibekit.repeatability import load_repeatability
from vibekit.rig import Fault, draw_craft
from vibekit.rig_case import rig_reading
from vibekit.settings import Settings

DRAWS = int(os.environ.get("VIBEKIT_INTERVALS", "12"))
RPM = np.linspace(3000, 9000, 200)
MODE = 6400.0  # rpm at which it is met


def run_up(amplitude, u95=0.01, rpm=RPM):
    curve = Curve("1x", rpm, np.abs(amplitude), "rpm", "g", 300.0, np.full(rpm.size, u95))
    speed = SpeedResult("tacho", float(rpm.mean()))
    return Reading("", "", 48000.0, 5.0, (), Settings(test="run-up"), Screening(()), speed, (), (), (curve,), "")


def against(now, past, gain_db=0.0):
    return lone_rise([Pairing(run_up(now), (run_up(past),), (gain_db,))])


def answer(damping):
    """Receptance of one mode times its stiffness (Rao, Mechanical Vibrations, 5th edition (2011), equation 3.30, from memory)."""
    ratio = RPM / MODE
    return 1 / (1 - ratio**2 + 2j * damping * ratio)


FORCE = (RPM / 6000) ** 2


@pytest.mark.parametrize("sign", [1, -1, 1j])
@pytest.mark.parametrize("damping", [0.015, 0.03])
def test_a_mode_that_was_not_there_is_met_at_its_speed(sign, damping):
    """Whether it moves with the old motion, against it or a quarter turn behind it."""
    said = against(FORCE * (1 + 0.2 * sign * answer(damping)), FORCE)
    assert said.score > 2
    assert said.rpm == pytest.approx(MODE, rel=0.05)
    assert said.there_db > 8 > abs(said.elsewhere_db) + 5
    assert 0 < said.u95_db < 0.5


@pytest.mark.parametrize("factor", [0.5, 1.0, 1.5, 4.0])
def test_a_force_that_changed_or_did_not_speaks_against_it(factor):
    """Past two modes that were there all along, as heard through the same path."""
    path = FORCE * (1 + answer(0.02))
    assert against(factor * path, path).score < -1


def test_so_many_speeds_and_heights_thought_of_make_no_chance_rise_a_resonance():
    """The odds average over all 783 shapes, so that the mean of an e-value is at most 1 where nothing answers, and 10 is passed in at most
    one case in 10 (Markov; for the price of a search: E. Gross and O. Vitells, Eur. Phys. J. C 70 (2010) 525)."""
    rng, rpm = np.random.default_rng(0), np.geomspace(3000, 9000, 29)
    near = np.exp(-np.abs(np.log(rpm[:, None] / rpm)) / lone_rise_file.ALIKE)
    for spread, common, own in (
        (lone_rise_file.REST_DB, lone_rise_file.REFIT_DB, 1.0),
        (lone_rise_file.UNLIKE_DB, lone_rise_file.FORCE_DB, 4.0),
    ):
        cover = np.diag(np.full(29, own + lone_rise_file.OWN_DB**2)) + spread**2 * near + common**2
        for steady in ((), (6000.0,)):
            drawn = rng.multivariate_normal(np.zeros(29), cover, DRAWS)
            score = [lone_rise_file._score(rpm, y, np.full(29, own), steady) for y in drawn]
            assert np.mean(10 ** np.array(score)) < 1
            assert np.mean(np.array(score) > 1) < 0.1


def test_a_mode_where_other_recordings_were_made_is_sooner_believed_than_one_elsewhere():
    slight = FORCE * (1 + 0.04 * answer(0.02))
    pairs = [Pairing(run_up(slight, 0.1), (run_up(FORCE, 0.1),), (0.0,))]
    there, anywhere, elsewhere = (lone_rise(pairs, steady).score for steady in ((MODE,), (), (0.7 * MODE,)))
    assert there > anywhere + 0.5 > elsewhere + 0.5
    assert anywhere - elsewhere < np.log10(2) + 0.01


def test_gain_of_the_sensor_is_taken_out():
    assert against(4 * FORCE, FORCE, gain_db=20 * np.log10(4)).elsewhere_db == pytest.approx(0, abs=0.1)


def test_noise_alone_tells_nothing():
    rng = np.random.default_rng(1)
    noise = [0.01 * np.abs(rng.standard_normal(RPM.size)) for _ in range(2)]
    past = run_up(noise[0], 0.05)
    assert lone_rise([Pairing(run_up(noise[1], 0.05), (past,), (0.0,))]).score < 0


def test_too_few_speeds_in_common_say_nothing():
    slow = run_up(FORCE, rpm=RPM / 2.5)
    assert lone_rise([Pairing(run_up(FORCE), (slow,), (0.0,))]) is None
    assert lone_rise([]) is None


def test_rig_resonance_and_uneven_bell():
    """The rig's resonance lies at the test speed of its craft, within 1 %."""
    craft = draw_craft(2001)
    past = [rig_reading(craft, "run-up", "contact", take) for take in (0, 1)]

    def seen(take, fault):
        now = rig_reading(craft, "run-up", "contact", take, fault)
        (clue,) = [o for o in observe([now], past, load_repeatability()) if o.name == LONE]
        return lone_rise(pair_up([now], past)), clue

    rise, clue = seen(2, Fault("resonance", 8))
    assert rise.rpm == pytest.approx(craft.test_rpm, rel=0.05)
    assert clue.value == rise.score
    assert STEPS[clue.step] in ("clear", "strong", "extreme")
    _, clue = seen(3, Fault("rotor-imbalance", 8))
    assert clue.step <= 1
    assert "as a force does" in clue.text
