"""Differences of levels, against what repeating gives."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, t

from vibekit.change import PRIOR_WORTH, change, nearest
from vibekit.reading import Quantity, Reading, SpeedResult
from vibekit.repeatability import Repeatability
from vibekit.screening import Problem, Screening
from vibekit.settings import Settings

ONE_DB = Repeatability({("1x", "bare", "contact"): (1.0, 0.0)})


def reading(level, rpm=6000.0, problems=(), u95=0.1):
    return Reading(
        file="", sha256="", rate_hz=24000.0, duration_s=2.5, channels=(("vibration", "FS"),),
        settings=Settings(test="bare", sensor="contact"), screening=Screening(problems),
        speed=SpeedResult("typed", rpm, 1.0, rpm, rpm), orders=(), quantities=(Quantity("1x", level, u95, "dB"),), curves=(), engine="",
    )  # fmt: skip


def test_a_level_above_its_references_is_found_with_its_interval():
    moved = change("1x", [reading(-20.0)], [reading(-30.0), reading(-30.0)], ONE_DB)
    assert moved.delta == pytest.approx(10.0)
    assert (moved.compared, moved.references) == (1, 2)
    # Student's t of the difference, turned into the normal deviate of equal chance: scipy.stats as the second implementation
    spread = np.sqrt(PRIOR_WORTH / (PRIOR_WORTH + 1))
    assert moved.z == pytest.approx(-norm.ppf(t.sf(10 / (spread * np.sqrt(1 + 1 / 2)), PRIOR_WORTH + 1)), rel=1e-6)


def test_force_of_unbalance_grows_with_the_square_of_speed():
    # Rao, Mechanical Vibrations, section 9.4: F = m r w^2, so 5 % more speed is 0.85 dB more amplitude
    faster = reading(-30.0 + 40 * np.log10(1.05), rpm=6300.0)
    assert change("1x", [faster], [reading(-30.0)], ONE_DB).delta == pytest.approx(0.0, abs=1e-9)


def test_levels_far_apart_in_speed_are_not_compared():
    assert change("1x", [reading(-20.0, rpm=9000.0)], [reading(-30.0)], ONE_DB) is None


def test_the_nearest_speeds_are_taken():
    assert [r.speed.rpm for r in nearest(reading(0.0), [reading(0.0, rpm=rpm) for rpm in (5500.0, 5990.0, 6020.0, 8000.0)])] == [
        5990.0,
        6020.0,
    ]


def test_a_recording_with_gain_control_is_compared_with_nothing():
    pumped = reading(-20.0, problems=(Problem("gain-control", "warning", "the gain was changed"),))
    assert change("1x", [pumped], [reading(-30.0)], ONE_DB) is None
    assert change("1x", [reading(-20.0)], [pumped], ONE_DB) is None


def test_scatter_of_the_references_widens_the_interval():
    steady = change("1x", [reading(-20.0)], [reading(-30.0), reading(-30.0), reading(-30.0)], ONE_DB)
    scattered = change("1x", [reading(-20.0)], [reading(-36.0), reading(-30.0), reading(-27.0)], ONE_DB)
    assert scattered.u95 > 1.5 * steady.u95
    assert scattered.z < steady.z


def test_a_line_seen_in_neither_has_not_changed():
    hidden = [reading(level, u95=5.0) for level in (-60.0, -70.0)]
    assert change("1x", hidden[:1], hidden[1:], ONE_DB).z == 0.0


def test_another_test_is_no_reference():
    other = reading(-30.0)
    other = replace(other, settings=replace(other.settings, test="prop"))
    assert change("1x", [reading(-20.0)], [other], ONE_DB) is None
