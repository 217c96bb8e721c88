"""Which trial weight to mount: large enough to show, and what it pulls with at speed."""

from collections.abc import Sequence
from dataclasses import dataclass

from vibekit.balance_job import BalanceJob
from vibekit.errors import UsageError
from vibekit.spots import BELL, Spot, Weight
from vibekit.unbalance import USUAL_GRADE, leaving_speed_m_s, permissible_unbalance, pull_newton

WANTED = 1.5  # effect aimed at, as a share of the first vibration: beyond 2 the error hardly falls (by simulation, noise 5 %)
SEAT_MM = 0.1  # a first trial is as large as this eccentricity of the propeller (common practice, no source)
BELL_SEAT_MM = 0.03  # the same of the bell, which is turned and not moulded (common practice, no source)
GROWTH = 2.0  # of a trial over the largest before it: a weight that hardly showed may have been forgotten (common practice, no source)
TIMES_ALLOWED = 5.0  # where no mass of the propeller is known: so many times the permissible unbalance (common practice, no source)


@dataclass(frozen=True, slots=True)
class Size:
    """Unbalance that a trial weight should have, g mm, and why."""

    g_mm: float
    why: str


def trial_size(job: BalanceJob, plane: str, first: float, sensitivity: float | None) -> Size:
    """Give the size of a trial weight in a plane.

    first: amplitude of the rotor as found; sensitivity: vibration of 1 g mm where an earlier trial has told it

    The rule that a trial may pull with 10 % of the rotor's weight is not used: for small fast rotors it lies below the permissible
    unbalance. Raises UsageError when nothing is known from which a size could follow.
    """
    if sensitivity:
        g_mm = WANTED * first / sensitivity
        number = job.planes.index(plane)
        largest = max(abs(job.weights_in(r)[number]) for part in (job.borrowed, job.rounds) for r in part)
        if 0 < GROWTH * largest < g_mm:
            return Size(GROWTH * largest, f"{GROWTH:g} times the largest so far, {largest:.3g} g mm, and no more at once")
        return Size(g_mm, f"{g_mm:.3g} g mm changes the vibration by about {WANTED:g} times what it was, by what earlier weights did")
    bell_g = job.rotor_g - job.propeller_g if job.rotor_g and job.propeller_g else None
    if plane == BELL and bell_g:
        return Size(BELL_SEAT_MM * bell_g, f"as much as a bell of {bell_g:g} g that runs {BELL_SEAT_MM:g} mm off centre")
    if job.propeller_g:
        return Size(SEAT_MM * job.propeller_g, f"as much as a propeller of {job.propeller_g:g} g that sits {SEAT_MM:g} mm off centre")
    if job.rotor_g:
        allowed = permissible_unbalance(USUAL_GRADE, 1e-3 * job.rotor_g, max(job.references_rpm))
        return Size(TIMES_ALLOWED * allowed, f"{TIMES_ALLOWED:g} times the permissible unbalance of G {USUAL_GRADE:g}, {allowed:.3g} g mm")
    raise UsageError("mass of the propeller is not known, so no trial weight can be named; give it with --propeller-mass")


def weight_at(spot: Spot, g_mm: float, job: BalanceJob) -> Weight:
    """Give the mass at hand that comes nearest to an unbalance at a place, never none."""
    wanted = g_mm / spot.radius_mm
    made = [mass for mass in job.stock.near(wanted) if mass > 0]
    mass = min(made, key=lambda m: abs(m - wanted)) if made else wanted
    return Weight(spot, -mass if spot.removes else mass)


def pulls(weights: Sequence[Weight], rpm: float) -> tuple[str, ...]:
    """Say what pulls at each weight at speed, and how fast one that comes off flies."""
    return tuple(
        f"{w.spot.name}: {w.mass_g:.3g} g at {w.spot.radius_mm:g} mm pulls with {pull_newton(abs(w.unbalance), rpm):.2g} N "
        f"at {rpm:.0f} rpm; one that comes off flies at {leaving_speed_m_s(w.spot.radius_mm, rpm):.0f} m/s."
        for w in weights
        if w.mass_g > 0
    )
