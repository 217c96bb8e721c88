"""How much unbalance is allowed, what it pulls with, and where a weight can go."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

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


def mass_at(mass_g: float, radius_mm: float, new_radius_mm: float) -> float:
    """Give the mass with the same unbalance at another radius, g. Raises UsageError unless both radii are above 0."""
    _above_zero(radius_mm=radius_mm, new_radius_mm=new_radius_mm)
    return mass_g * radius_mm / new_radius_mm


@dataclass(frozen=True, slots=True)
class Placed:
    """A weight at an allowed angle, degrees."""

    angle_deg: float
    size: float


def split(size: float, angle_deg: float, allowed_deg: Sequence[float]) -> tuple[Placed, ...]:
    """Make a weight up from the two allowed angles on either side of it, or put it on one that it meets.

    W1 = W sin(t2 - t) / sin(t2 - t1) and W2 = W sin(t - t1) / sin(t2 - t1): together always more than W.
    Raises UsageError where those angles are half a turn or more apart: two blades or holes cannot share a weight.
    """
    if not allowed_deg:
        raise UsageError("no angle is allowed; name at least one place for a weight")
    gaps = [((angle - angle_deg) % 360, angle) for angle in allowed_deg]
    before, after = max(gaps), min(gaps)
    for gap, angle in (before, after):
        if min(gap, 360 - gap) < 1e-9:
            return (Placed(angle, size),)
    back, ahead = math.radians(360 - before[0]), math.radians(after[0])
    if back + ahead > math.pi - 1e-9:
        apart = math.degrees(back + ahead)
        raise UsageError(f"places at {before[1]:g} and {after[1]:g} degrees are {apart:g} degrees apart; a weight splits only below 180")
    whole = math.sin(back + ahead)
    return Placed(before[1], size * math.sin(ahead) / whole), Placed(after[1], size * math.sin(back) / whole)


def _angular(rpm: float) -> float:
    return 2 * math.pi * rpm / 60


def _above_zero(**values: float) -> None:
    for name, value in values.items():
        if not value > 0:
            raise UsageError(f"{name} is {value:g}; it must be above 0")
