"""How much unbalance is allowed, and what it pulls with."""

import math

from vibekit.errors import UsageError

# Balance quality grades, mm/s: ISO 21940-11:2016 Table 1 (as ISO 1940-1:2003), from memory. Labels: steps of 10^0.4, rounded
GRADES = (0.4, 1.0, 2.5, 6.3, 16.0, 40.0, 100.0, 250.0, 630.0, 1600.0, 4000.0)
USUAL_GRADE = 6.3  # of fans, and of electric motors below 80 mm shaft height: the table has no row for a small propeller


def permissible_unbalance(grade: float, mass_kg: float, rpm: float) -> float:
    """Give the permissible residual unbalance of a rigid rotor, g mm: 1000 G m / Omega (ISO 21940-11:2016, eq. 6; ISO 1940-1:2003).

    grade: mm/s; mass_kg: of the rotor; rpm: highest service speed. Raises UsageError unless all are above 0.
    """
    _above_zero(grade=grade, mass_kg=mass_kg, rpm=rpm)
    return 1000 * grade * mass_kg / _angular(rpm)


def balance_grade(unbalance_g_mm: float, mass_kg: float, rpm: float) -> float:
    """Give the quality grade that a rotor with this residual unbalance just reaches, mm/s.

    Raises UsageError unless mass and speed are above 0.
    """
    _above_zero(mass_kg=mass_kg, rpm=rpm)
    return unbalance_g_mm * _angular(rpm) / (1000 * mass_kg)


def grade_label(grade: float) -> str:
    """Give the name of the finest grade that a rotor of this grade number meets: "G 6.3"; "above G 4000" beyond the list."""
    return next((f"G {label:g}" for label in GRADES if grade <= label * (1 + 1e-9)), f"above G {GRADES[-1]:g}")


def allocate(unbalance_g_mm: float, to_a_mm: float, to_b_mm: float) -> tuple[float, float]:
    """Share a permissible unbalance between planes A and B, to_a and to_b away from the centre of mass between them, g mm.

    The nearer plane gets the larger share: U L_B / L and U L_A / L (ISO 21940-11:2016; ISO 1940-1:2003, annex on allocation).
    Raises UsageError unless both distances are above 0.
    """
    _above_zero(to_a_mm=to_a_mm, to_b_mm=to_b_mm)
    length = to_a_mm + to_b_mm
    return unbalance_g_mm * to_b_mm / length, unbalance_g_mm * to_a_mm / length


def pull_newton(unbalance_g_mm: float, rpm: float) -> float:
    """Give the force of an unbalance, or the pull on a weight of this mass times radius, N: m r Omega^2."""
    return unbalance_g_mm * 1e-6 * _angular(rpm) ** 2


def leaving_speed_m_s(radius_mm: float, rpm: float) -> float:
    """Give the speed with which a weight that comes off flies, m/s: for the caution beside every trial weight."""
    return radius_mm * 1e-3 * _angular(rpm)


def _angular(rpm: float) -> float:
    return 2 * math.pi * rpm / 60


def _above_zero(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise UsageError(f"{name} is {value:g}; it must be above 0")
