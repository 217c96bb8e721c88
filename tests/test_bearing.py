"""Defect orders against published bearings. "From memory": recalled, not seen in print."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vibekit.bearing import TEST_BANDS_HZ, Bearing, bearing_from_orders, mid_diameter_mm, miniature_bands, slip_band
from vibekit.errors import UsageError

CWRU_DRIVE = Bearing(9, 0.3126, 1.537)  # inch
CWRU_FAN = Bearing(8, 0.2656, 1.122)  # inch


def orders(bearing):
    return bearing.outer, bearing.inner, bearing.ball_spin, bearing.cage


@pytest.mark.parametrize("bearing", [CWRU_DRIVE, Bearing(9, 7.94, 39.04)])
def test_cwru_drive_end_bearing(bearing):
    """CWRU Bearing Data Center, 6205-2RS: geometry and four-figure set published, five-figure set from memory.

    Its "rolling element" coefficient 4.7135 is twice the spin order: a spot on a ball strikes both races.
    """
    assert orders(bearing) == pytest.approx((3.5848, 5.4152, 2.3567, 0.39828), abs=2e-4)
    assert 2 * bearing.ball_spin == pytest.approx(4.7135, abs=2e-4)
    # W.A. Smith and R.B. Randall, Mech. Syst. Signal Process. 64-65 (2015) 100-131, as printed
    assert orders(bearing) == pytest.approx((3.585, 5.415, 2.357, 0.3983), abs=5e-4)


def test_cwru_fan_end_bearing():
    """6203-2RS; Smith & Randall 2015 (published; geometry from memory). Other prints differ by up to 3e-4."""
    assert orders(CWRU_FAN) == pytest.approx((3.053, 4.947, 1.994, 0.3816), abs=5e-4)


def test_ims_bearing_with_a_contact_angle():
    """Rexnord ZA-2115 at 2000 rpm; H. Qiu, J. Lee, J. Lin, G. Yu, J. Sound Vib. 289 (2006) 1066-1090 (published)."""
    bearing = Bearing(16, 0.331, 2.815, 15.17)
    hertz = [order * 2000 / 60 for order in (bearing.outer, bearing.inner, bearing.ball_spin, 2 * bearing.ball_spin, bearing.cage)]
    assert hertz == pytest.approx([236.40, 296.93, 139.92, 279.83, 14.78], abs=0.01)


def test_a_bearing_of_round_numbers():
    """8 balls of 10 mm on 50 mm at 1800 rpm: table of a general calculator page (published), exact."""
    assert [order * 30 for order in orders(Bearing(8, 10, 50))] == pytest.approx([96, 144, 72, 12], rel=1e-14)


def test_mid_diameter_rule():
    """6205 (25 x 52 mm): the rule against the measured pitch; exact maths on the geometry of that bearing."""
    assert mid_diameter_mm(25, 52) == 38.5
    ball = 5 / 16 * 25.4
    ruled, true = Bearing(9, ball, mid_diameter_mm(25, 52)), Bearing(9, ball, 39.04)
    assert ruled.outer == pytest.approx(3.5722, abs=1e-4)
    assert ruled.outer / true.outer - 1 == pytest.approx(-0.0035, abs=1e-4)
    assert ruled.inner / true.inner - 1 == pytest.approx(0.0023, abs=1e-4)


def test_rules_of_thumb():
    """R.B. Randall, Vibration-based Condition Monitoring (2011), from memory: 0.4 N, 0.6 N, 0.4; within 2 %."""
    assert 0.4 * 9 / CWRU_DRIVE.outer - 1 == pytest.approx(0.0042, abs=1e-4)
    assert 0.6 * 9 / CWRU_DRIVE.inner - 1 == pytest.approx(-0.0028, abs=1e-4)
    assert 0.4 / CWRU_DRIVE.cage - 1 == pytest.approx(0.0043, abs=1e-4)


def test_slip_band():
    """Randall & Antoni 2011, section 2, from memory: 1 to 2 %."""
    assert slip_band(100) == (98, 102)
    assert slip_band(100, 0.01) == (99, 101)
    with pytest.raises(UsageError, match=r"slip is 0\.1; it must be from 0 to below 0.1"):
        slip_band(1, 0.1)


@pytest.mark.parametrize(
    ("balls", "ball_mm", "bore", "outer", "expected"),
    [(7, 3.969, 8, 22, (2.574, 4.426)), (7, 1.588, 3, 10, (2.645, 4.355))],  # 608 and 623: ball sets from memory, moderately sure
)
def test_miniature_bearings_lie_in_their_bands(balls, ball_mm, bore, outer, expected):
    bearing = Bearing(balls, ball_mm, mid_diameter_mm(bore, outer))
    assert (bearing.outer, bearing.inner) == pytest.approx(expected, abs=1e-3)
    band = next(b for b in miniature_bands() if b.balls == balls)
    assert band.outer[0] < bearing.outer < band.outer[1]
    assert band.inner[0] < bearing.inner < band.inner[1]


def test_bands_for_unknown_geometry():
    """Exact maths for d/D from 0.18 to 0.30."""
    assert {b.balls: (*b.outer, *b.inner) for b in miniature_bands()} == {
        6: pytest.approx((2.10, 2.46, 3.54, 3.90), abs=0.005),
        7: pytest.approx((2.45, 2.87, 4.13, 4.55), abs=0.005),
        8: pytest.approx((2.80, 3.28, 4.72, 5.20), abs=0.005),
        9: pytest.approx((3.15, 3.69, 5.31, 5.85), abs=0.005),
    }


def test_bands_of_the_vibration_test_for_new_bearings():
    """ISO 15242-1/-2 at 1800 rpm, from memory: the bands adjoin, and the first two span a ratio of 6."""
    low, middle, high = TEST_BANDS_HZ
    assert (low, middle, high) == ((50, 300), (300, 1800), (1800, 10_000))
    assert low[1] / low[0] == middle[1] / middle[0] == 6


geometry = st.builds(Bearing, st.integers(4, 40), st.floats(0.05, 0.6), st.just(1.0), st.floats(0, 60))


@given(geometry)
def test_exact_identities(bearing):
    """Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2."""
    assert bearing.outer + bearing.inner == pytest.approx(bearing.balls, rel=1e-12)
    assert bearing.outer == pytest.approx(bearing.balls * bearing.cage, rel=1e-12)
    assert bearing.outer < bearing.inner
    # a ball rolls on both races: its spin order is also (D + d cos a)(D - d cos a) / (2 d D) with D = 1
    k = bearing.ratio
    assert bearing.ball_spin == pytest.approx((1 + k) * (1 - k) / (2 * bearing.ball_mm), rel=1e-12)


@given(st.integers(4, 24), st.floats(0.1, 0.5), st.floats(-0.019, 0.019))
def test_a_pair_of_lines_tells_the_bearing(balls, ratio, slipped):
    true = Bearing(balls, ratio, 1.0)
    found = bearing_from_orders(true.outer * (1 + slipped), true.inner * (1 + slipped))
    assert found is not None
    assert found.balls == balls
    assert found.ratio == pytest.approx(ratio, rel=1e-9)


def test_pairs_that_tell_nothing():
    assert bearing_from_orders(3.1, 4.4) is None  # 7.5 balls
    assert bearing_from_orders(5.4, 3.6) is None  # outer above inner
    assert bearing_from_orders(12, 18.4) is None  # 30 and 31 both lie within 2 %


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((3, 1, 5), "bearing has 3 balls; it must be a whole number from 4 to 40"),
        ((8, 5, 5), "bearing has ball 5 mm on pitch 5 mm; the ball must be above 0 and smaller"),
        ((8, 1, 5, 90), "bearing contact angle is 90 degrees; it must be from 0 to below 90"),
    ],
)
def test_impossible_bearings_are_refused(values, message):
    with pytest.raises(UsageError, match=message):
        Bearing(*values)
    with pytest.raises(UsageError, match="bore 9 mm and outer diameter 5 mm"):
        mid_diameter_mm(9, 5)
