"""What the runs of a balancing job say: the weights that are wanted, and the unbalance that is left."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.amplitude_balancing import AmplitudeCorrection, correct_from_amplitudes
from vibekit.balance_job import BalanceJob, Round
from vibekit.balancing import correct, influence
from vibekit.errors import UsageError
from vibekit.modulus import modulus_interval
from vibekit.normal import Z95

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Left:
    """Unbalance that is left in one plane, g mm, with its 95 % interval; vector: None when only its size is known."""

    size: float
    low: float
    high: float
    vector: complex | None = None


@dataclass(frozen=True, slots=True)
class PlaneAnswer:
    """One plane's answer.

    wanted: weights over the rotor's first state that take the vibration away, g mm; u95: radius of the circle that holds the true ones
    effect: largest effect of a trial weight here, as a share of the first vibration; sensitivity: vibration that 1 g mm makes
    left: unbalance of the rotor as it is now
    """

    plane: str
    wanted: complex
    u95: float
    effect: float
    sensitivity: float
    left: Left


@dataclass(frozen=True, slots=True)
class Solution:
    """What all whole rounds of a job say together.

    planes: one answer a plane; scatter: root mean square error of the mean of one round's recordings, unit of the readings
    consistency, mirror: of balancing by amplitude, see AmplitudeCorrection; None with phase
    """

    planes: tuple[PlaneAnswer, ...]
    scatter: float
    consistency: float | None = None
    mirror: complex | None = None


@dataclass(frozen=True, slots=True)
class Level:
    """1x of one round at the point that shows it best.

    value: mean of the recordings, complex (real without phase); error: root mean square size of its error; unit: of the readings
    """

    value: complex
    error: float
    unit: str

    @property
    def u95(self) -> float:
        """Half width of the 95 % interval of the amplitude: one part of the error, normal."""
        return Z95 * self.error / math.sqrt(2)


def solve(job: BalanceJob) -> Solution | None:
    """Give the answer of all whole rounds, None when they do not tell one yet.

    With phase: least squares over all recordings, points and speeds together. What is left is the vibration of the last round over the
    sensitivity, so that what was hoped for does not colour it. By amplitude: nonlinear least squares over the rounds' mean amplitudes.
    """
    return _with_phase(job) if job.method == "phase" else _by_amplitude(job)


def level(job: BalanceJob, round_: Round) -> Level:
    """Give 1x of a round at the point where the first round shows it largest. Raises UsageError when it has no recordings."""
    readings = job.readings(round_)
    if not readings.size:
        raise UsageError("the round has no recording yet")
    point = _main_point(job)
    error = scatter(job) / math.sqrt(len(readings))
    value = readings[:, point].mean() if job.method == "phase" else complex(_mean_amplitude(np.abs(readings[:, point]), scatter(job)))
    return Level(complex(value), error, round_.takes[0].vector.unit)


def scatter(job: BalanceJob) -> float:
    """Root mean square size of the error of one recording's vector, from how recordings of one round differ; nan from single ones."""
    return _scatter(job)[0]


def _scatter(job: BalanceJob) -> tuple[float, float]:
    """Scatter and the real degrees of freedom behind it.

    Amplitudes show one of the two parts of a complex error, and less of it where hardly any vibration is left: those are not counted.
    """
    point, total, freedom = _main_point(job), 0.0, 0.0
    for round_ in (*job.borrowed, *job.rounds):
        readings = job.readings(round_)
        if len(readings) > 1 and (job.method == "phase" or round_.stage != "check"):
            rows = readings if job.method == "phase" else np.abs(readings[:, [point]])
            total += float(np.sum(np.abs(rows - rows.mean(axis=0)) ** 2))
            freedom += (len(rows) - 1) * rows.shape[1]
    if not freedom:
        return math.nan, 0.0
    return (math.sqrt(total / freedom), 2 * freedom) if job.method == "phase" else (math.sqrt(2 * total / freedom), freedom)


def _main_point(job: BalanceJob) -> int:
    first = next(r for part in (job.rounds, job.borrowed) for r in part if len(job.readings(r)))
    return int(np.argmax(np.abs(job.readings(first)).mean(axis=0)))


def _mean_amplitude(amplitudes: Array, error: float) -> float:
    """Amplitude without what its own scatter adds to its square."""
    return math.sqrt(max(float(np.mean(amplitudes**2)) - (error**2 if math.isfinite(error) else 0.0), 0.0))


def _with_phase(job: BalanceJob) -> Solution | None:
    runs = job.runs()
    if not runs or runs[-1].fitting == 0:
        return None
    try:
        fit = influence(runs)
        found = correct(fit)
    except UsageError:
        return None
    back = np.linalg.pinv(fit.matrix)
    rows = job.readings(job.whole[-1])
    left = back @ rows.mean(axis=0)
    error = (fit.scatter or math.nan) / math.sqrt(len(rows)) * np.linalg.norm(back, axis=1)
    tried = np.abs([run.weights for run in runs]).max(axis=0)
    point = _main_point(job)
    answers = []
    for number, plane in enumerate(job.planes):
        gain = float(abs(fit.matrix[point, number]))
        gain_error = (fit.scatter or math.nan) * math.sqrt(fit.inverse[1 + number, 1 + number].real) / gain
        size = float(np.hypot(error[number], gain_error * abs(left[number])))
        low, high = modulus_interval(abs(left[number]) ** 2, size, 2 * fit.freedom)
        answers.append(
            PlaneAnswer(
                plane=plane,
                wanted=complex(found.weights[number]),
                u95=float(found.u95[number]),
                effect=gain * float(tried[number]) / float(abs(fit.original[point])),
                sensitivity=gain,
                left=Left(float(abs(left[number])), low, high, complex(left[number])),
            )
        )
    return Solution(tuple(answers), (fit.scatter or math.nan) / math.sqrt(job.repeats))


def _by_amplitude(job: BalanceJob) -> Solution | None:
    rounds = job.whole
    error, freedom = _scatter(job)
    point = _main_point(job) if any(r.takes for r in job.rounds) else 0
    heard = [_mean_amplitude(np.abs(job.readings(r)[:, point]), error) for r in rounds]
    weighed = [(r.stage, (complex(job.weights_in(r)[0]), v)) for r, v in zip(rounds, heard, strict=True) if abs(job.weights_in(r)[0]) > 0]
    trials = [run for stage, run in weighed if stage != "check"]
    if len(trials) < 2 or not math.isfinite(error):
        return None
    scatter = error / math.sqrt(2 * job.repeats)
    try:
        found = correct_from_amplitudes(heard[0], trials, scatter, freedom)
        # within the answer's circle an amplitude does not tell on which side of nothing the vibration lies
        plain = [run for stage, run in weighed if stage != "check" or abs(run[0] - found.weight) > found.u95]
        found = correct_from_amplitudes(heard[0], plain, scatter, freedom) if plain != trials else found
    except UsageError:
        return None
    left = _left_by_amplitude(np.abs(job.readings(rounds[-1])[:, point]), heard[-1], found, error, freedom)
    answer = PlaneAnswer(job.planes[0], found.weight, found.u95, found.effect, found.sensitivity, left)
    return Solution((answer,), error / math.sqrt(job.repeats), found.consistency, found.mirror)


def _left_by_amplitude(amplitudes: Array, heard: float, found: AmplitudeCorrection, error: float, freedom: float) -> Left:
    """Size of what is left: amplitude over sensitivity, whose own error is added in quadrature."""
    low, high = (end / found.sensitivity for end in modulus_interval(float(np.mean(amplitudes**2)), error, freedom, len(amplitudes)))
    size = heard / found.sensitivity
    reach = size * found.sensitivity_u95 / found.sensitivity
    return Left(size, max(size - math.hypot(size - low, reach), 0.0), size + math.hypot(high - size, reach))
