"""Balancing: from runs with trial weights to the weights that take the vibration away, each with its 95 % circle.

Vibrations and unbalances are complex: amplitude and phase, mass (or mass times radius) and angle. All angles are counted the same way
round, from a mark on the rotor.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError

Complex = npt.NDArray[np.complex128]
Array = npt.NDArray[np.float64]


def phasor(size: float, angle_deg: float) -> complex:
    """Give size @ angle as a complex number."""
    return complex(size * np.exp(1j * math.radians(angle_deg)))


@dataclass(frozen=True, slots=True)
class Run:
    """One run of the rotor.

    weights: (planes,) complex, what was mounted in each plane over its first state, g or g mm; zeros in the original run
    readings: (points,) complex, the 1x vibration at each measuring point, or at each of several speeds
    fitting: runs of one fitting share their original vibration; earlier runs on the same craft share the influence coefficients only
    """

    weights: Complex
    readings: Complex
    fitting: int = 0


@dataclass(frozen=True, slots=True)
class Influence:
    """How weights move the vibration: readings = original + matrix @ weights.

    original: (points,) complex vibration without weights, of the last run's fitting; matrix: (points, planes) influence coefficients
    scatter: root mean square size of a reading's error, None when it is neither stated nor to be had from the runs
    freedom: complex degrees of freedom behind `scatter`, infinite when it was stated
    inverse: (1 + planes, 1 + planes) of the least-squares fit over runs
    """

    original: Complex
    matrix: Complex
    scatter: float | None
    freedom: float
    inverse: Complex


@dataclass(frozen=True, slots=True)
class Correction:
    """What to mount.

    weights: (planes,) complex, in the unit of the trial weights, over the rotor's first state (trial weights taken off)
    error: (planes,) root mean square size of the error of each, infinite when the scatter is not known; freedom: behind that, complex
    residual: (points,) complex vibration that is left by the fit
    """

    weights: Complex
    error: Array
    freedom: float
    residual: Complex

    @property
    def u95(self) -> Array:
        """Radius of the circle about each weight that holds the true one in 95 of 100 cases, (planes,)."""
        return np.asarray(self.error * math.sqrt(_ratio_95(self.freedom)))

    @property
    def unbalance(self) -> Complex:
        """What the rotor has too much of, (planes,): opposite to the weights. Some texts give this as the answer."""
        return -self.weights


def influence(runs: Sequence[Run], scatter: float | None = None) -> Influence:
    """Fit original vibration and influence coefficients to all runs by least squares.

    runs: at least one more than planes, each plane's weight changed in one of them; more of them, repeats too, tell the scatter
    scatter: root mean square size of the error of one reading (length of the complex error) where it is known better

    Influence coefficients: T.P. Goodman, J. Eng. Ind. 86 (1964) 273-279; two planes: S.S. Rao, Mechanical Vibrations, section 9.4.2.
    Raises UsageError when runs disagree in shape or are too few or too alike.
    """
    if len({(run.weights.shape, run.readings.shape) for run in runs}) != 1 or runs[0].weights.ndim != 1 or runs[0].readings.ndim != 1:
        raise UsageError("runs differ in planes or measuring points; each needs one weight a plane and one reading a point")
    weights = np.array([run.weights for run in runs])
    readings = np.array([run.readings for run in runs])
    count, planes = weights.shape
    fittings = list(dict.fromkeys(run.fitting for run in runs))
    mounted = np.array([[run.fitting == fitting for fitting in fittings] for run in runs], float)
    design = np.column_stack([mounted, weights / (np.abs(weights).max() or 1.0)])
    if count < design.shape[1] or np.linalg.cond(design) > 1e6:
        raise UsageError(
            f"{count} runs do not tell {planes} planes apart; make one run without weights and one with a weight in each plane"
        )
    design = np.column_stack([mounted, weights])
    solution = np.linalg.pinv(design) @ readings
    freedom = float(readings.shape[1] * (count - design.shape[1]))
    if scatter is not None:
        freedom = math.inf
    elif freedom:
        scatter = float(np.sqrt(np.sum(np.abs(readings - design @ solution) ** 2) / freedom))
    kept = slice(len(fittings) - 1, None)  # the last fitting and the planes
    inverse = np.linalg.inv(design.conj().T @ design)[kept, kept]
    return Influence(solution[len(fittings) - 1], solution[len(fittings) :].T, scatter, freedom, inverse)


def correct(found: Influence) -> Correction:
    """Give the weights that leave the least vibration (sum of squares over measuring points).

    The circle is the first-order law of propagation for complex quantities (JCGM 102:2011) over runs; with the scatter from the runs
    themselves its radius follows F(2, 2 freedom).
    Raises UsageError with fewer measuring points than planes.
    """
    points, planes = found.matrix.shape
    if points < planes:
        raise UsageError(f"{points} measuring points cannot balance {planes} planes; measure at as many points or speeds as planes")
    back = np.linalg.pinv(found.matrix)
    weights = -back @ found.original
    at = np.concatenate([[1.0], weights])
    spread = float(np.real(at @ found.inverse @ at.conj()))  # of the predicted vibration with these weights, for unit scatter
    size = np.sqrt(spread * np.sum(np.abs(back) ** 2, axis=1))
    error = np.full(planes, math.inf) if found.scatter is None else size * found.scatter
    return Correction(weights, error, found.freedom, found.original + found.matrix @ weights)


def trial_is_enough(before: complex, after: complex) -> bool:
    """Tell whether a trial weight moved the vibration enough: by 30 % in amplitude or 30 degrees in phase.

    The 30/30 rule, common practice after E.L. Thearle, Trans. ASME 56 (1934) 745-753. Below it noise of 5 % of the original vibration
    makes the correction wrong by a quarter and more.
    """
    turn = abs(math.degrees(np.angle(after / before))) if before and after else 180.0
    return abs(abs(after) - abs(before)) >= 0.3 * abs(before) or turn >= 30


def _ratio_95(freedom: float) -> float:
    """95 % quantile of F(2, 2 freedom), in closed form."""
    if math.isinf(freedom) or not freedom:
        return math.log(20)
    return freedom * (20 ** (1 / freedom) - 1)
