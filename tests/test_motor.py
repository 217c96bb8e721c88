"""Brushless motor orders. "From memory": recalled, not seen in print."""

import math

import pytest

from vibekit.errors import UsageError
from vibekit.motor import Magnetics


def test_electrical_frequency():
    """Hanselman; Hendershot & Miller, from memory: 14 poles at 6000 rpm give 700 Hz."""
    assert Magnetics(14).pairs * 6000 / 60 == 700


@pytest.mark.parametrize(("poles", "order"), [(14, 42), (12, 36), (28, 84)])
def test_commutation(poles, order):
    """Same sources, from memory: six torque pulses an electrical turn."""
    assert Magnetics(poles).commutation == order


@pytest.mark.parametrize(
    ("slots", "poles", "order"),
    [(12, 14, 84), (9, 12, 36), (12, 16, 48), (12, 10, 60), (9, 8, 72), (24, 28, 168), (24, 22, 264), (18, 20, 180), (36, 42, 252)],
)
def test_cogging(slots, poles, order):
    """Bianchi & Bolognani, IEEE Trans. Ind. Appl. 38 (2002): LCM; equivalently poles / gcd periods a slot pitch (published).

    With pole pairs instead of poles the second form gives half of it for 9/12 but not for 12/14: hence both are here.
    """
    assert Magnetics(poles, slots).cogging == order
    assert slots * poles // math.gcd(poles, slots) == order


def test_orders_in_words():
    assert Magnetics(14, 12).orders == {7: "electrical", 14: "2 x electrical", 42: "commutation", 84: "cogging"}
    assert Magnetics(12, 9).orders == {6: "electrical", 12: "2 x electrical", 36: "commutation, cogging"}
    assert list(Magnetics(14).orders) == [7, 14, 42]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Magnetics(7), "poles is 7; magnets come in pairs"),
        (lambda: Magnetics(14, 10), "slots is 10 with 14 poles; no three-phase winding has that"),
        (lambda: Magnetics(12, 12), "slots is 12 with 12 poles"),  # every coil in phase
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()
