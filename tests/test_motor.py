"""Brushless motor orders. "From memory": recalled, not seen in print."""

import cmath
import math

import pytest

from vibekit.errors import UsageError
from vibekit.motor import Magnetics, torque_constant, torque_constant_sine, winding_factor


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


def test_sideways_pull():
    """Same relation, published: gcd 2 for 12/14 (balanced), 1 for 9/8 (pulled sideways)."""
    assert Magnetics(14, 12).is_pulled_sideways is False
    assert Magnetics(8, 9).is_pulled_sideways is True
    assert Magnetics(8).is_pulled_sideways is None


@pytest.mark.parametrize(("slots", "poles", "factor"), [(12, 14, 0.933), (12, 10, 0.933), (9, 12, 0.866), (9, 8, 0.945)])
def test_winding_factor(slots, poles, factor):
    """Winding tables (Bianchi; Hanselman), from memory."""
    assert winding_factor(Magnetics(poles, slots)) == pytest.approx(factor, abs=1e-3)


@pytest.mark.parametrize(
    ("slots", "poles"), [(12, 14), (12, 10), (9, 12), (9, 8), (24, 28), (24, 22), (18, 20), (36, 42), (9, 6), (12, 16)]
)
def test_winding_factor_by_the_star_of_slots(slots, poles):
    """Exact maths, an independent way: turn every coil's voltage, or its reverse, into one phase's 60-degree sector and add."""
    coils = [cmath.exp(1j * math.pi * poles / slots * k) for k in range(slots)]
    span = abs(1 - cmath.exp(1j * math.pi * poles / slots)) / 2
    sectors = [round(math.degrees(cmath.phase(c)), 6) % 360 for c in coils]
    phase_a = [c if s < 60 else -c for c, s in zip(coils, sectors, strict=True) if s < 60 or 180 <= s < 240]
    assert len(phase_a) == slots // 3
    assert winding_factor(Magnetics(poles, slots)) == pytest.approx(abs(sum(phase_a)) / len(phase_a) * span, rel=1e-12)


def test_torque_constant():
    """Energy balance, published: 60 / (2 pi Kv)."""
    assert torque_constant(1) == pytest.approx(9.549297, abs=1e-6)
    assert torque_constant(920) == pytest.approx(0.010380, abs=1e-6)


def test_torque_constant_by_phase_current():
    """Published as 8.27 / Kv: (3/2)(1/sqrt 3)(60 / 2 pi)."""
    assert torque_constant_sine(1) == pytest.approx(8.26993, abs=1e-5)


def test_orders_that_a_propeller_hides():
    """Exact maths: 42x is harmonic 21 of two blades' pass and 14 of three blades'."""
    motor = Magnetics(14, 12)
    assert motor.orders == {7: "electrical", 14: "2 x electrical", 42: "commutation", 84: "cogging"}
    assert motor.hidden_by(2) == {14: 7, 42: 21, 84: 42}
    assert motor.hidden_by(3) == {42: 14, 84: 28}
    assert motor.hidden_by(5) == {}
    assert Magnetics(12, 9).orders == {6: "electrical", 12: "2 x electrical", 36: "commutation, cogging"}
    assert list(Magnetics(14).orders) == [7, 14, 42]


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Magnetics(7), "poles is 7; magnets come in pairs"),
        (lambda: Magnetics(14, 10), "slots is 10 with 14 poles; no three-phase winding has that"),
        (lambda: Magnetics(12, 12), "slots is 12 with 12 poles"),  # every coil in phase
        (lambda: Magnetics(14).hidden_by(0), "blades is 0; it must be at least 1"),
        (lambda: winding_factor(Magnetics(14)), "slots is not known"),
        (lambda: torque_constant(0), "kv is 0 rpm/V; it must be above 0"),
    ],
)
def test_what_is_not_allowed_is_refused(make, message):
    with pytest.raises(UsageError, match=message):
        make()
