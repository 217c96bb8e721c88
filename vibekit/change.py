"""By how much a quantity differs from its references, in units of what merely repeating the measurement does."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri, stdtr

from vibekit.levels import LOST_DB
from vibekit.reading import Quantity, Reading
from vibekit.repeatability import Repeatability

Array = npt.NDArray[np.float64]
NEAR = 0.03  # references within this relative distance of the nearest speed count alike
ROBUST = 4
FAR = 0.15  # beyond this relative difference of speed, levels are not compared
PRIOR_WORTH = 6.0  # observations that the prior repeatability counts for
OCTAVES = "octave "
# level against speed, dB a decade: unbalance force goes as speed squared (Rao, Mechanical Vibrations, sec. 9.4), its power as the fourth;
# trailing-edge noise power as the fifth power of speed (Ffowcs Williams & Hall, J. Fluid Mech. 40 (1970) 657-670)
PER_DECADE = {
    "1x": 40.0,
    "2x": 40.0,
    "half orders": 40.0,
    "harmonics": 40.0,
    "other orders": 40.0,
    "blade pass": 40.0,
    "wash": 50.0,
    "roughness": 50.0,
}
BROADBAND = {"wash": (100.0, 1500.0), "roughness": (1500.0, 30000.0)}
CHANGES = (
    "1x", "2x", "half orders", "harmonics", "blade pass", "other orders", "electrical lines",
    "unsteadiness", "wash", "roughness", "once a turn", "resonance",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Change:
    """Difference of a quantity from its references.

    delta: mean difference in `unit`; u95: half width of its 95 % interval; z: the difference in standard deviations of repeating, with
    the heavier tails of a spread known from few repeats taken into account (Student's t turned into the normal deviate of equal chance)
    compared, references: how many recordings on either side; repeat: standard deviation of one recording
    """

    name: str
    delta: float
    u95: float
    z: float
    repeat: float
    compared: int
    references: int
    unit: str = "dB"


def parts_of(reading: Reading, name: str) -> dict[str, Quantity]:
    """The parts of a quantity to compare: one number, or one for each octave of a broadband quantity."""
    if name in BROADBAND:
        low, high = BROADBAND[name]
        octaves = {q.name: q for q in reading.quantities if q.name.startswith(OCTAVES)}
        return {k: q for k, q in octaves.items() if low < float(k.split()[1]) < high}
    found = reading.quantity(name)
    return {name: found} if found else {}


def _apart(reading: Reading, reference: Reading) -> float:
    """Relative difference of speed; 0 when neither has one, infinite when only one has."""
    ours, theirs = reading.speed.rpm, reference.speed.rpm
    if ours is None and theirs is None:
        return 0.0
    if ours is None or theirs is None:
        return math.inf
    return abs(math.log(ours / theirs))


def nearest(reading: Reading, references: Sequence[Reading]) -> list[Reading]:
    """The references of the same test nearest in speed; empty when none is near enough for levels to be compared.

    A recording whose gain was changed on the way (gain control, noise suppression, clipping) is compared with nothing.
    """
    same = [r for r in references if r.settings.test == reading.settings.test and r.screening.levels_comparable]
    if not same or not reading.screening.levels_comparable:
        return []
    closest = min(_apart(reading, r) for r in same)
    return [r for r in same if _apart(reading, r) <= closest + NEAR] if closest <= FAR else []


def _difference(reading: Reading, reference: Reading, name: str) -> tuple[float, float] | None:
    """(difference in dB at equal speed, variance of one such value from the measurement itself), None when there is nothing in common."""
    ours, theirs = parts_of(reading, name), parts_of(reference, name)
    common = ours.keys() & theirs.keys()
    if not common:
        return None
    if all(ours[k].u95 > LOST_DB and theirs[k].u95 > LOST_DB for k in common):
        return 0.0, LOST_DB**2  # the line is seen in neither: only the noise differs
    delta = float(np.mean([ours[k].value - theirs[k].value for k in common]))
    if reading.speed.rpm and reference.speed.rpm:
        delta -= PER_DECADE.get(name, 0.0) * math.log10(reading.speed.rpm / reference.speed.rpm)
    return delta, float(np.mean([ours[k].u95 ** 2 + theirs[k].u95 ** 2 for k in common])) / (2 * 1.96**2)


def _power_mean(decibels: Array) -> float:
    """Level of the mean power: what a vector that is small by chance once does not pull down."""
    return float(10 * np.log10(np.mean(10 ** (decibels / 10))))


def change(
    name: str, readings: Sequence[Reading], references: Sequence[Reading], repeatability: Repeatability, *, peers: bool = False
) -> Change | None:
    """Compare readings of one motor under one test with their references, each with those nearest in speed.

    peers: the references are other motors, not this one's past: the median is taken, and motors differ among themselves
    The spread of one recording is learned from repeats among the references and from the scatter of the differences, starting from
    `repeatability` as a prior worth PRIOR_WORTH observations (conjugate prior of a normal variance: Gelman et al., Bayesian Data
    Analysis (2013), section 2.6); it is never taken below the interval of the readings themselves. With four differences and more
    their median and median deviation count, so that one speed at which a mode answers does not drown the rest. None when nothing can
    be compared.
    """
    differences: list[float] = []
    worth: list[float] = []
    noise: list[float] = []
    used: set[int] = set()
    squares, freedom = 0.0, 0.0
    for reading in readings:
        pairs = [(r, d) for r in nearest(reading, references) if (d := _difference(reading, r, name)) is not None]
        if not pairs:
            continue
        group = np.array([d for _, (d, _) in pairs])
        noise += [n for _, (_, n) in pairs]
        differences.append(float(np.median(group) if peers else -_power_mean(-group)))
        worth.append(1 + 1 / len(group))
        fresh = {id(r) for r, _ in pairs} - used
        if not peers and len(group) > 1 and fresh:
            squares += float(((group - group.mean()) ** 2).sum())
            freedom += len(group) - 1
        used |= {id(r) for r, _ in pairs}
    if not differences:
        return None
    values = np.array(differences)
    delta = float(np.median(values) if len(values) >= ROBUST else values.mean())
    if len(values) > 1:
        scatter = (values - delta) ** 2 / np.array(worth)
        squares += float((len(values) - 1) * 1.4826**2 * np.median(scatter) if len(values) >= ROBUST else scatter.sum())
        freedom += len(values) - 1
    first = readings[0].settings
    prior = repeatability.deviation(name, first.test, first.sensor)
    variance = max((PRIOR_WORTH * prior**2 + squares) / (PRIOR_WORTH + freedom), float(np.mean(noise)))
    between = repeatability.spread(name, first.test, first.sensor) ** 2 * (1 + 1 / max(len(used), 1)) if peers else 0.0
    error = math.sqrt(variance * (1 / len(differences) + 1 / len(used)) + between)
    score = delta / error
    degrees = PRIOR_WORTH + freedom
    z = math.copysign(-float(ndtri(max(stdtr(degrees, -abs(score)), 1e-300))), score)
    return Change(name, delta, 1.96 * error * abs(score / z) if z else 1.96 * error, z, math.sqrt(variance), len(differences), len(used))
