"""Mean speed of the rotors in flight and how sure it is, from two accounts of their lines that err in other ways."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.blade_count import scores
from vibekit.hover import RANGE_HZ, ROTORS_APART, highest_hz, hover_speed
from vibekit.normal import Z95
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
STRETCH_S = 15.0  # over which rotors wander little (common practice, no source)
STEP = 0.01  # of a speed to the next one tried
USUAL_HZ, SPREAD = 130.0, math.log(2)  # hovering rotors of small craft: two of three within a factor of two (common practice, no source)
# how many times likelier the speed where orders gather is for being found so, where that looked at the others too: 14 counted on 300
# flights of the rig at 2 000 Hz and more, whatever the kinds of lines made of it; a fifth less since floors lie beneath wide lines, on 300
# others
GATHERED = 11.0
LEAST_U95 = 0.08  # relative half width of the interval: what is heard best lies so far off the mean of rotors that turn unlike, on the rig
LISTED = 0.005  # probability below which other speeds are not kept
EVEN = 0.5  # probability below which no speed is: what the prior leaves of noise is a third


@dataclass(frozen=True, slots=True)
class FlightSpeed:
    """Mean speed of the rotors, Hz, half width of its 95 % interval, and probability; rivals: other speeds with theirs, likeliest first."""

    hz: float
    u95_hz: float
    confidence: float
    rivals: tuple[tuple[float, float], ...]


def flight_speed(
    signals: Sequence[npt.NDArray[np.floating]],
    rate_hz: float,
    top_hz: float,
    blades: int | None = None,
    whole: Sequence[Transform] = (),
) -> FlightSpeed | None:
    """Likeliest mean speed of the rotors of a flight; None where none is likelier than all others, or the sensor is too slow to tell.

    signals: (n,) each, of the vibration channels; top_hz: up to which they are trusted; blades: of each propeller
    whole: transforms of the signals, where they are at hand
    Each speed is weighed by what kinds of lines it makes of those that stand out (`vibekit.blade_count.scores`), and that where power
    gathers about whole orders (`hover_speed`) by GATHERED times more: in stretches over which rotors wander little, all channels and
    stretches by their mean, since they hear the same rotors.
    """
    high = min(RANGE_HZ[1], top_hz / (1 + ROTORS_APART))
    if not signals or high < 2 * RANGE_HZ[0]:
        return None
    speeds = np.geomspace(RANGE_HZ[0], high, math.ceil(math.log(high / RANGE_HZ[0]) / STEP))
    stretches = np.array_split(np.stack(signals), max(int(len(signals[0]) / rate_hz / STRETCH_S), 1), axis=1)
    heard = [whole] if whole and len(stretches) == 1 else [[Transform.of(row, rate_hz) for row in stretch] for stretch in stretches]
    each = [[scores(transform, speeds, top_hz, blades) for transform in rows] for rows in heard]
    log = np.mean([[np.logaddexp.reduce(list(found.values()), axis=(0, 1)) for found in rows] for rows in each], axis=(0, 1))
    log -= (np.log(speeds / USUAL_HZ) / SPREAD) ** 2 / 2
    gathered = [told for stretch in stretches if (told := hover_speed(list(stretch), rate_hz, blades))]
    if speeds[log.argmax()] <= highest_hz(rate_hz):
        for hz, _ in gathered:
            log[_near(speeds, hz)] += math.log(GATHERED) / len(stretches)
    chance = np.exp(log - log.max())
    (hz, sure, u95), *others = _regions(speeds, chance / chance.sum())
    if sure < EVEN:
        return None
    if same := [each for each in gathered if abs(math.log(each[0] / hz)) < ROTORS_APART]:
        hz, u95 = (float(np.median(each)) for each in zip(*same, strict=True))
    return FlightSpeed(hz, max(u95, LEAST_U95 * hz), min(sure, 1.0), tuple((other, chance) for other, chance, _ in others))


def _regions(speeds: Array, chance: Array) -> list[tuple[float, float, float]]:
    """Mean of speeds that are one, how probable they are together, and half width of the mean's 95 % interval; most probable first."""
    found, left = [], chance.copy()
    while (share := np.array([left[_near(speeds, hz)].sum() for hz in speeds])).max() >= LISTED:
        here = _near(speeds, float(speeds[share.argmax()]))
        weight = left[here] / left[here].sum()
        mean = float(speeds[here] @ weight)
        found.append((mean, float(share.max()), Z95 * math.sqrt(float((speeds[here] - mean) ** 2 @ weight))))
        left[here] = 0.0
    return found


def _near(speeds: Array, hz: float) -> npt.NDArray[np.bool_]:
    return np.asarray(np.abs(np.log(speeds / hz)) < ROTORS_APART)
