"""When to stop balancing: the unbalance that is left against what is allowed, what repeats, and what a refit changes."""

from dataclasses import dataclass

from vibekit.balance_job import BalanceJob
from vibekit.balance_solution import Left, Solution
from vibekit.unbalance import allocate, balance_grade, grade_label, permissible_unbalance

REFIT_MM = 0.05  # by which a propeller sits otherwise after a refit (common practice, no source)


@dataclass(frozen=True, slots=True)
class Verdict:
    """May it stop here? good: True or False, None when the intervals leave it open; reasons: in words, each with its numbers."""

    good: bool | None
    reasons: tuple[str, ...]


def permissible(job: BalanceJob) -> float | None:
    """Give the permissible residual unbalance by ISO 21940-11 for the whole rotor, g mm; None when its mass is not known."""
    return permissible_unbalance(job.grade, 1e-3 * job.rotor_g, max(job.references_rpm)) if job.rotor_g and job.references_rpm else None


def judge_balance(job: BalanceJob, solution: Solution) -> Verdict:
    """Judge what is left: good below the permissible unbalance, or where it cannot be told from nothing or from a refit.

    Two planes share the permissible unbalance equally.
    """
    allowed = permissible(job)
    refit = REFIT_MM * job.propeller_g if job.propeller_g else None
    if allowed is not None and len(job.planes) == 2:
        allowed = allocate(allowed, 1.0, 1.0)[0]
    each = [_one(answer.left, answer.plane, allowed, refit, job) for answer in solution.planes]
    good = False if any(v.good is False for v in each) else None if any(v.good is None for v in each) else True
    return Verdict(good, tuple(reason for v in each for reason in v.reasons))


def left_words(left: Left) -> str:
    """Say what is left with its 95 % interval."""
    return f"{left.size:.2g} g mm ({left.low:.2g} to {left.high:.2g} g mm)"


def _one(left: Left, plane: str, allowed: float | None, refit: float | None, job: BalanceJob) -> Verdict:
    reasons = []
    good: bool | None = False
    if allowed is not None and job.rotor_g:
        label = grade_label(balance_grade(left.high, 1e-3 * job.rotor_g * (1 if len(job.planes) == 1 else 0.5), max(job.references_rpm)))
        said = f"{plane}: {left_words(left)} is left; G {job.grade:g} allows {allowed:.2g} g mm at {max(job.references_rpm):.0f} rpm"
        good = True if left.high <= allowed else False if left.low > allowed else None
        reasons.append(f"{said}: {_WORDS[good]}; by the upper end of the interval it meets {label}.")
    else:
        reasons.append(f"{plane}: {left_words(left)} is left. Without the mass of all that turns no grade can be named.")
    if good is not True and left.low == 0.0:
        good = True
        reasons.append(f"{plane}: what is left cannot be told from nothing: more weights would only follow the scatter of the readings.")
    if good is not True and refit is not None and left.size < refit:
        good = True
        reasons.append(f"{plane}: taking the propeller off and putting it back changes {refit:.2g} g mm, more than what is left.")
    return Verdict(good, tuple(reasons))


_WORDS = {True: "reached", False: "not reached", None: "it cannot be told whether that is reached"}
