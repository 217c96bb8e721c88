"""Motion units, sensor fixing and waveform numbers. "From memory": recalled, not seen in print."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibekit.errors import UsageError
from vibekit.mounting import FIXINGS, highest_frequency, mounted_gain
from vibekit.units import MOTION_UNITS, convert
from vibekit.waveform import crest_factor, kurtosis


def test_acceleration_to_velocity():
    """Exact maths: 1 g peak at 50 Hz; g = 9.80665 m/s2."""
    assert convert(1, "g", "mm/s", 50) == pytest.approx(31.2155, abs=1e-4)
    assert convert(1, "g", "m/s2") == 9.80665


def test_velocity_of_a_drone_motor_in_acceleration():
    """Recomputed: 0.71 mm/s rms at 10 000 rpm is 0.744 m/s2 rms."""
    assert convert(0.71, "mm/s", "m/s2", 10_000 / 60) == pytest.approx(0.744, abs=5e-4)


@given(st.floats(1e-3, 1e3), st.sampled_from(sorted(MOTION_UNITS)), st.sampled_from(sorted(MOTION_UNITS)), st.floats(0.1, 1e5))
def test_conversion_goes_there_and_back(value, unit, to, frequency):
    assert convert(convert(value, unit, to, frequency), to, unit, frequency) == pytest.approx(value, rel=1e-12)


def test_conversion_is_differentiation():
    """Exact maths: a displacement sine, differentiated numerically."""
    t = np.linspace(0, 1, 200_001)
    displacement = 0.25 * np.sin(2 * np.pi * 7 * t)  # mm
    velocity = np.gradient(displacement, t[1])
    assert convert(0.25, "mm", "mm/s", 7) == pytest.approx(velocity.max(), rel=1e-6)
    assert convert(0.25, "mm", "m/s2", 7) == pytest.approx(np.gradient(velocity, t[1]).max() / 1000, rel=1e-6)


@pytest.mark.parametrize(("ratio", "gain", "decibel"), [(1 / 5, 1.04167, 0.355), (1 / 3, 1.125, 1.023)])
def test_mounted_resonance(ratio, gain, decibel):
    """ISO 5348 as quoted in AS ISO 5349.2:2013, 6.1.2.3 (published): resonance above 5 times; the error is exact maths."""
    assert mounted_gain(ratio * 900, 900) == pytest.approx(gain, abs=1e-5)
    assert 20 * np.log10(mounted_gain(ratio * 900, 900)) == pytest.approx(decibel, abs=1e-3)
    assert highest_frequency(900, gain - 1) == pytest.approx(ratio * 900, rel=1e-4)


def test_order_of_fixings():
    """ISO 5348:1998 (scope published, order from memory): stud best, hand worst."""
    assert FIXINGS == ("stud", "adhesive", "magnet", "hand")


def test_crest_factor_and_kurtosis():
    """ISO 2041 vocabulary; statistics texts; exact maths."""
    turn = 2 * np.pi * np.arange(4096) / 4096
    assert (crest_factor(np.sin(turn)), kurtosis(np.sin(turn))) == pytest.approx((np.sqrt(2), 1.5), abs=1e-6)
    square = np.tile([1.0, -1.0], 50)
    assert (crest_factor(square), kurtosis(square)) == pytest.approx((1, 1), abs=1e-12)
    assert kurtosis(np.linspace(-1, 1, 100_001)) == pytest.approx(1.8, abs=1e-4)
    noise = np.random.default_rng(3).standard_normal(1_000_000)
    assert kurtosis(noise) == pytest.approx(3, abs=4 * np.sqrt(24 / 1e6))
    assert kurtosis(noise + 100) == pytest.approx(kurtosis(noise), rel=1e-9)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: convert(1, "g", "mm/s"), "frequency is None Hz; turning g into mm/s needs the sine's frequency"),
        (lambda: convert(1, "g", "mm/s", 0), "frequency is 0 Hz"),
        (lambda: convert(1, "g", "Pa"), "unit is 'Pa'; choose one of"),
        (lambda: mounted_gain(900, 900), "frequency is 900 Hz; it must be from 0 to below the mounted resonance of 900 Hz"),
        (lambda: highest_frequency(900, 0), "error is 0; it must be above 0"),
        (lambda: kurtosis([2.0, 2.0]), "samples are all the same"),
        (lambda: crest_factor([]), "samples are all the same"),
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()
