"""Balancing: from runs with trial weights to the weights that take the vibration away, each with its 95 % circle.

Vibrations and unbalances are complex: amplitude and phase, mass (or mass times radius) and angle. All angles are counted the same way
round, from a mark on the rotor.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaincinv

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
    """

    weights: Complex
    readings: Complex


@dataclass(frozen=True, slots=True)
class Influence:
    """How weights move the vibration: readings = original + matrix @ weights.

    original: (points,) complex vibration without weights; matrix: (points, planes) complex influence coefficients
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
    u95: (planes,) radius of the circle about each that holds the true one in 95 of 100 cases; infinite when the scatter is not known
    residual: (points,) complex vibration that is left by the fit
    """

    weights: Complex
    u95: Array
    residual: Complex

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
    design = np.column_stack([np.ones(count), weights / (np.abs(weights).max() or 1.0)])
    if count <= planes or np.linalg.cond(design) > 1e6:
        raise UsageError(
            f"{count} runs do not tell {planes} planes apart; make one run without weights and one with a weight in each plane"
        )
    design = np.column_stack([np.ones(count), weights])
    solution = np.linalg.pinv(design) @ readings
    freedom = float(readings.shape[1] * (count - 1 - planes))
    if scatter is not None:
        freedom = math.inf
    elif freedom:
        scatter = float(np.sqrt(np.sum(np.abs(readings - design @ solution) ** 2) / freedom))
    return Influence(solution[0], solution[1:].T, scatter, freedom, np.linalg.inv(design.conj().T @ design))


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
    reach = math.inf if found.scatter is None else found.scatter * math.sqrt(_ratio_95(found.freedom))
    return Correction(weights, size * reach, found.original + found.matrix @ weights)


def trial_is_enough(before: complex, after: complex) -> bool:
    """Tell whether a trial weight moved the vibration enough: by 30 % in amplitude or 30 degrees in phase.

    The 30/30 rule, common practice after E.L. Thearle, Trans. ASME 56 (1934) 745-753. Below it noise of 5 % of the original vibration
    makes the correction wrong by a quarter and more.
    """
    turn = abs(math.degrees(np.angle(after / before))) if before and after else 180.0
    return abs(abs(after) - abs(before)) >= 0.3 * abs(before) or turn >= 30


@dataclass(frozen=True, slots=True)
class AmplitudeCorrection:
    """What to mount, found without phase.

    weight: complex, in the unit of the trial weight; u95: radius of its 95 % circle
    consistency: 1 when the amplitudes fit together; far from it one of them is wrong
    """

    weight: complex
    u95: float
    consistency: float


def correct_from_amplitudes(original: float, trial: float, runs: Sequence[tuple[float, float]], scatter: float) -> AmplitudeCorrection:
    """Find the correction in one plane from amplitudes alone: the same trial weight at three or more angles.

    original: amplitude without weight; trial: its size; runs: (angle in degrees, amplitude) each; scatter: standard deviation of one
    amplitude. V^2 = V0^2 + VT^2 + 2 V0 VT cos(angle - psi), solved by least squares: R.B. Everett, J. Vib. Acoust. 109 (1987);
    review: W.C. Foiles, P.E. Allaire, E.J. Gunter, Shock and Vibration 5 (1998) 325-336.

    Raises UsageError when there are too few angles or no weight explains the amplitudes.
    """
    turn = np.radians([angle for angle, _ in runs])
    design = np.column_stack([np.ones(len(runs)), np.cos(turn), np.sin(turn)])
    if len(runs) < 3 or np.linalg.cond(design) > 1e3:
        raise UsageError(
            f"{len(runs)} runs do not tell the angle; mount the trial weight at three angles or more, well spread round the rotor"
        )
    solve = np.linalg.pinv(design)

    def weight(amplitudes: Array) -> tuple[complex, float]:
        mean, cosine, sine = solve @ amplitudes[1:] ** 2
        effect = mean - amplitudes[0] ** 2
        if not effect > 0 or not amplitudes[0] > 0:
            raise UsageError("amplitudes do not fit any weight; measure again, or use a larger trial weight")
        effect = math.sqrt(effect)
        towards = complex(cosine, sine)
        consistency = abs(towards) / (2 * amplitudes[0] * effect)
        return -trial * amplitudes[0] / effect * towards / abs(towards), float(consistency**2)

    amplitudes = np.array([original, *(amplitude for _, amplitude in runs)])
    best, consistency = weight(amplitudes)
    step = 1e-5 * float(amplitudes.max())
    nudge = step * np.eye(len(amplitudes))
    slope: Complex = np.array([(weight(amplitudes + d)[0] - weight(amplitudes - d)[0]) / (2 * step) for d in nudge], np.complex128)
    return AmplitudeCorrection(complex(best), _circle_95(slope * scatter), consistency)


def _ratio_95(freedom: float) -> float:
    """95 % quantile of F(2, 2 freedom), in closed form."""
    return math.log(20) if math.isinf(freedom) else freedom * (20 ** (1 / freedom) - 1)


def _circle_95(slope: Complex) -> float:
    """Radius that holds 95 % of a complex error made of independent normal parts (chi-square with the same mean and variance)."""
    parts = np.array([slope.real, slope.imag])
    covariance = parts @ parts.T
    mean, square = float(np.trace(covariance)), float(np.sum(covariance**2))
    return math.sqrt(2 * square / mean * float(gammaincinv(mean**2 / square / 2, 0.95))) if mean else 0.0
