"""The stored order spectra: the rig makes the same again, and they show what the literature says of each condition."""

from pathlib import Path

import numpy as np
import pytest

from vibekit.rig import CONDITIONS
from vibekit.rig.spectra import BEARING, COLUMNS, CRAFTS, comparable_craft, condition_spectrum, write_csv

FOLDER = Path(__file__).resolve().parent.parent / "reference_spectra"


def stored(condition):
    return np.genfromtxt(FOLDER / f"{condition}.csv", delimiter=",", names=True)


def level(condition, column, order):
    table = stored(condition)
    return float(table[column][np.argmin(np.abs(table["order"] - order))])


def rise(condition, column, order):
    """Decibels above the healthy motor."""
    return level(condition, column, order) - level("healthy", column, order)


def test_the_rig_makes_a_stored_spectrum_again(tmp_path):
    write_csv("bent-shaft", condition_spectrum("bent-shaft", comparable_craft(CRAFTS)), tmp_path)
    again = np.genfromtxt(tmp_path / "bent-shaft.csv", delimiter=",", names=True)
    for column in COLUMNS:
        # stored to 0.1 dB; another machine's rounding may tip the last digit
        np.testing.assert_allclose(again[column], stored("bent-shaft")[column], atol=0.11)


@pytest.mark.parametrize("condition", CONDITIONS)
def test_every_condition_has_its_spectrum(condition):
    table = stored(condition)
    assert table.dtype.names == COLUMNS
    assert table["order"][-1] == 50
    assert np.isfinite(table["prop_db"]).all()


def test_imbalance_raises_1x_alone():
    # Rao, Mechanical Vibrations, sec. 9.4: a force at the shaft's speed
    assert rise("prop-imbalance", "prop_db", 1) > 12
    assert abs(rise("prop-imbalance", "prop_db", 2)) < 1
    assert rise("prop-imbalance", "bare_db", 1) == 0
    assert rise("rotor-imbalance", "bare_db", 1) > 6


def test_a_bent_shaft_raises_1x_and_2x_bare():
    # Eisenmann & Eisenmann 1998 (from memory)
    assert rise("bent-shaft", "bare_db", 1) > 6
    assert rise("bent-shaft", "bare_db", 2) > 20


def test_a_damaged_blade_raises_orders_that_are_no_multiples_of_the_blades():
    # superposition of unlike blades: Lighthill; Kim 2016
    assert min(rise("blade-damage", "prop_db", order) for order in (1, 3, 5, 7)) > 5
    assert rise("blade-damage", "prop_db", 2) < 0


def test_looseness_raises_half_orders_and_harmonics():
    # Goldman & Muszynska 1994 (from memory)
    for order in (0.5, 1.5, 2.5):
        assert rise("loose-mount", "bare_db", order) > 10
        assert rise("loose-propeller", "prop_db", order) > 3
        assert rise("loose-propeller", "bare_db", order) == 0


@pytest.mark.parametrize(
    ("condition", "order"),
    # Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2
    [
        ("bearing-outer", BEARING.outer),
        ("bearing-inner", BEARING.inner),
        ("bearing-ball", 2 * BEARING.ball_spin),
        ("bearing-cage", BEARING.cage),
    ],
)
def test_bearing_faults_show_in_the_envelope_at_their_order(condition, order):
    table = stored(condition)
    above = table["bare_envelope_db"] - stored("healthy")["bare_envelope_db"]
    here = above[np.abs(table["order"] - order) < 0.1].max()  # slip of 1 to 2 % may carry it into the next tenth
    assert here > 6
    assert np.nanmax(above) - here < 1


def test_a_rub_bursts_once_a_turn_and_grit_has_no_order():
    assert rise("rub", "bare_envelope_db", 1) > 15
    assert rise("rub", "bare_envelope_db", 1.5) < rise("rub", "bare_envelope_db", 1) - 15
    grit = stored("bearing-grit")["bare_envelope_db"] - stored("healthy")["bare_envelope_db"]
    low = grit[: np.flatnonzero(np.isfinite(grit))[-1] // 2]
    assert np.median(low) > 6
    assert low.max() < np.median(low) + 8


def test_a_weak_phase_raises_the_pole_pair_orders():
    # p = 7: Hanselman, Brushless Permanent Magnet Motor Design (from memory)
    assert min(rise("electrical", "prop_db", order) for order in (7, 14, 42)) > 4
    assert abs(rise("electrical", "prop_db", 10)) < 2
