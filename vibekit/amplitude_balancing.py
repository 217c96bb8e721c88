"""Balancing one plane without phase: the amplitude with a weight at several places tells where the unbalance is."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, fdtri, stdtrit

from vibekit.errors import UsageError
from vibekit.normal import Z95

Complex = npt.NDArray[np.complex128]
Array = npt.NDArray[np.float64]
DIRECTIONS, SIZES = 72, 31  # starting points: round the turn, and of effects from a hundredth to a hundred of the first vibration
APART = 0.3  # of the correction: two answers this far apart are different ones
AS_GOOD = float(chdtri(1, 0.01))  # misfit by which a second answer must be worse before it is put aside
STEPS = 30


@dataclass(frozen=True, slots=True)
class AmplitudeCorrection:
    """What to mount, found without phase.

    weight: complex, in the unit of the trial weights; u95: radius of its 95 % circle
    effect: largest effect of a trial weight, as a share of the original vibration
    consistency: sin^2 + cos^2 of the angle, 1 when the amplitudes fit together; far from it one of them is wrong; None when two trial
        places (0 and 180 degrees) leave it open
    sensitivity, sensitivity_u95: amplitude that a unit weight makes, and half width of its 95 % interval
    mirror: another weight that explains the amplitudes as well, None when there is none; then a trial at one more place decides
    """

    weight: complex
    u95: float
    effect: float
    consistency: float | None
    sensitivity: float
    sensitivity_u95: float
    mirror: complex | None = None


def correct_from_amplitudes(
    original: float, runs: Sequence[tuple[complex, float]], scatter: float, freedom: float = math.inf
) -> AmplitudeCorrection:
    """Find the correction in one plane from amplitudes alone.

    original: amplitude without weight; runs: (weight, amplitude) each, two or more, the weight complex: size and angle
    scatter: standard deviation of one amplitude; freedom: degrees of freedom behind it

    Amplitudes are |V0 + a W|, fitted by nonlinear least squares from many starting points, so that a second answer is seen: trials at
    0 and 180 degrees alone leave a mirror image. Review: W.C. Foiles, P.E. Allaire, E.J. Gunter, Shock and Vibration 5 (1998) 325-336.

    Raises UsageError when there are too few runs or no weight explains the amplitudes.
    """
    if len(runs) < 2 or not original > 0 or any(not abs(weight) > 0 for weight, _ in runs):
        raise UsageError(f"{len(runs)} trial runs do not tell the angle; mount a trial weight at three places, well spread round the rotor")
    unit = max(abs(weight) for weight, _ in runs)
    weights = np.array([0, *(weight / unit for weight, _ in runs)], complex)
    heard = np.array([original, *(amplitude for _, amplitude in runs)])
    answers = _answers(heard, weights, scatter)
    misfit, (v, a) = answers[0]
    mirror = next((-other[0] / other[1] for worse, other in answers[1:] if worse < misfit + AS_GOOD), None)
    closed = closed_form(original, runs)
    return AmplitudeCorrection(
        weight=complex(-v / a * unit),
        u95=unit * _circle((v, a), weights, scatter, freedom),
        effect=abs(a) / original,
        consistency=closed[1] if closed else None,
        sensitivity=abs(a) / unit,
        sensitivity_u95=_gain_u95((v, a), weights, scatter, freedom) / unit,
        mirror=None if mirror is None else complex(mirror * unit),
    )


def closed_form(original: float, runs: Sequence[tuple[complex, float]]) -> tuple[complex, float] | None:
    """Give the correction and its consistency by the formula: least squares on V^2 - V0^2 = |a|^2 |W|^2 + 2 V0 Re(a W).

    For three runs of one weight this is V^2 = V0^2 + VT^2 + 2 V0 VT cos(angle - psi): F.R. Hopkirk (1940); R.B. Everett, J. Vib. Acoust.
    109 (1987). None where the weights leave an angle open. Raises UsageError when no weight explains the amplitudes.
    """
    weights, heard = np.array([weight for weight, _ in runs], complex), np.array([amplitude for _, amplitude in runs])
    unit = float(np.abs(weights).max())
    design = np.column_stack([np.abs(weights / unit) ** 2, 2 * weights.real / unit, -2 * weights.imag / unit])
    if len(design) < 3 or np.linalg.cond(design) > 1e3:
        return None
    square, real, imaginary = np.linalg.lstsq(design, heard**2 - original**2, rcond=None)[0]
    towards = complex(real, imaginary)
    if not square > 0 or not abs(towards) > 0:
        raise UsageError("amplitudes do not fit any weight; measure again, or use a larger trial weight")
    effect = math.sqrt(square)
    return -unit * original / effect * towards.conjugate() / abs(towards), float((abs(towards) / (original * effect)) ** 2)


_Answer = tuple[float, complex]  # amplitude without weight, and what a unit weight adds to it


def _answers(heard: Array, weights: Complex, scatter: float) -> list[tuple[float, _Answer]]:
    """All distinct answers, best first, each with its misfit in units of the scatter squared."""
    size = heard[0] * np.geomspace(0.01, 100, SIZES)
    tried = (size[:, None] * np.exp(2j * np.pi * np.arange(DIRECTIONS) / DIRECTIONS)).ravel()
    cost = np.sum((np.abs(heard[0] + tried[:, None] * weights[None, 1:]) - heard[1:]) ** 2, axis=1).reshape(SIZES, DIRECTIONS)
    rim = np.pad(np.pad(cost, ((0, 0), (1, 1)), mode="wrap"), ((1, 1), (0, 0)), constant_values=np.inf)
    beside = [rim[1 + i : 1 + i + SIZES, 1 + j : 1 + j + DIRECTIONS] for i in (-1, 0, 1) for j in (-1, 0, 1) if i or j]
    starts = tried[np.all([cost <= other for other in beside], axis=0).ravel()]
    found = sorted((_refine(heard, weights, complex(start)) for start in starts), key=lambda answer: answer[0])
    distinct: list[tuple[float, _Answer]] = []
    for misfit, (v, a) in found:
        if all(abs(v / a - w / b) > APART * abs(w / b) for _, (w, b) in distinct):
            distinct.append((misfit / max(scatter, 1e-9 * heard[0]) ** 2, (v, a)))
    return distinct


def _refine(heard: Array, weights: Complex, start: complex) -> tuple[float, _Answer]:
    """Least squares of the amplitudes by Gauss-Newton with a damped step (Levenberg-Marquardt)."""
    state = np.array([heard[0], start.real, start.imag])
    damping, miss = 1e-3, _miss(state, heard, weights)
    for _ in range(STEPS):
        slope = _slope(state, weights)
        normal = slope.T @ slope
        step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12 * normal.trace()), slope.T @ miss)
        new = _miss(state + step, heard, weights)
        if new @ new <= miss @ miss:
            state, miss, damping = state + step, new, damping / 10
            if np.linalg.norm(step) < 1e-12 * np.linalg.norm(state):
                break
        else:
            damping *= 10
    return float(miss @ miss), (float(state[0]), complex(state[1], state[2]))


def _miss(state: Array, heard: Array, weights: Complex) -> Array:
    return np.asarray(heard - np.abs(state[0] + complex(state[1], state[2]) * weights))


def _slope(state: Array, weights: Complex) -> Array:
    """(runs, 3) change of each amplitude with V0 and both parts of the effect."""
    vibration = state[0] + complex(state[1], state[2]) * weights
    towards = vibration.conj() / np.maximum(np.abs(vibration), 1e-12 * abs(state[0]))
    return np.column_stack([towards.real, (towards * weights).real, (towards * 1j * weights).real])


def _circle(answer: _Answer, weights: Complex, scatter: float, freedom: float) -> float:
    """Radius that holds 95 % of the correction's error: first order, a scaled F with the same mean and variance."""
    v, a = answer
    gain = _gain(answer, weights)
    error = scatter * (-gain[0] / a + v / a**2 * (gain[1] + 1j * gain[2]))
    parts = np.array([error.real, error.imag])
    covariance = parts @ parts.T
    mean, square = float(np.trace(covariance)), float(np.sum(covariance**2))
    if not mean:
        return 0.0
    shape = mean**2 / square
    quantile = chdtri(shape, 0.05) / shape if math.isinf(freedom) else fdtri(shape, freedom, 0.95)
    return math.sqrt(mean * float(quantile))


def _gain_u95(answer: _Answer, weights: Complex, scatter: float, freedom: float) -> float:
    """Half width of the 95 % interval of |a|."""
    a = answer[1]
    along = (a.real * _gain(answer, weights)[1] + a.imag * _gain(answer, weights)[2]) / abs(a)
    reach = Z95 if math.isinf(freedom) else float(stdtrit(freedom, 0.975))
    return reach * scatter * float(np.linalg.norm(along))


def _gain(answer: _Answer, weights: Complex) -> Array:
    """(3, runs) how errors of the amplitudes move V0 and both parts of the effect."""
    v, a = answer
    return np.asarray(np.linalg.pinv(_slope(np.array([v, a.real, a.imag]), weights)))
