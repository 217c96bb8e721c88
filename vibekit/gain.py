"""What a recording shares in all its lines and bands against others of the same set-up: the sensor put back, not the machine."""

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

from vibekit.line_groups import electrical_orders
from vibekit.median import MAD_TO_SD, MEDIAN_ERROR
from vibekit.reading import Reading
from vibekit.recording import RELATIVE

Array = npt.NDArray[np.float64]
# level against speed, dB a decade: unbalance force goes as speed squared (Rao, Mechanical Vibrations, sec. 9.4), its power as the fourth;
# trailing-edge noise power as the fifth power of speed (Ffowcs Williams & Hall, J. Fluid Mech. 40 (1970) 657-670)
FORCE, NOISE = 40.0, 50.0
CLEAR = 10.0  # a line counts from this many times the noise in its bins
TOP_ORDER = 24.0
FEWEST = 5
FEWEST_QUIET = 3
MOST_DB = 3.0  # putting the sensor back shifts the level by no more (common practice, no source); what is more is the machine's
# but for what moves every line and band alike, within so much, as no damage does (on the rig it shows in 12 of 1 000 sound motors and in
# 9 of 1 000 hurt ones, whose sensors were put back), where the sensor is not calibrated
EVEN_DB = 1.0
FEWEST_TILTED = 4
OCTAVES = "octave "


def _levels(reading: Reading) -> dict[str, float]:
    """Level of each clear line and each octave, dB at 100 Hz of shaft speed."""
    pace = math.log10(reading.speed.rpm / 6000) if reading.speed.rpm else 0.0
    lines = {
        f"{p.order:g}": 10 * math.log10(p.power) - FORCE * pace
        for p in reading.powers
        if p.order <= TOP_ORDER and p.power > CLEAR * p.noise and p.power > 0
    }
    return lines | {q.name: q.value - NOISE * pace for q in reading.quantities if q.name.startswith(OCTAVES)}


def common_gain(reading: Reading, references: Sequence[Reading]) -> tuple[float, list[float]]:
    """Gain of a reading and of each of its references against the mean of the references, dB.

    The weighted median over clear lines and octave bands, lines and bands counting alike in sum where there are FEWEST of each: a fault
    moves lines or bands, and only some of them. It is no more than MOST_DB, unless the sensor is not calibrated and, with FEWEST of each,
    half of the bands and both middles, each as well as it is known, agree within EVEN_DB. In flight the weight to be lifted, and the blade
    pass and wash with it, stay what they were: there bands will do, and what every line and band moved by at least is gain. 0 with too
    few in common.
    """
    shift, bands = _shifts(reading, references)
    if bands.size < FEWEST:
        return 0.0, [0.0] * len(references)
    weight = np.where(bands, 1 / max(bands.sum(), FEWEST), 1 / max((~bands).sum(), FEWEST))
    flight = reading.settings.test == "flight"
    enough = bands.sum() >= FEWEST and (~bands).sum() >= (0 if flight else FEWEST)
    free = enough and not any(_is_calibrated(r) for r in (reading, *references))

    def gain(row: Array) -> float:
        middle = _median(row, weight)
        even = (
            free
            and np.median(np.abs(row[bands] - middle)) < EVEN_DB
            and max(_away(row[kind], middle) for kind in (bands, ~bands) if kind.any()) < EVEN_DB
        )
        shared = float(np.abs(row).min()) if free and flight and abs(np.sign(row).sum()) == row.size else 0.0
        most = max(MOST_DB, shared)
        return middle if even else float(np.clip(middle, -most, most))

    own, *others = (gain(row) for row in shift)
    return own, others


def _away(shifts: Array, middle: float) -> float:
    """How far the median of some shifts lies from a middle, beyond its own standard error."""
    own = float(np.median(shifts))
    error = MEDIAN_ERROR * MAD_TO_SD * float(np.median(np.abs(shifts - own))) / math.sqrt(len(shifts))
    return abs(own - middle) - error


def tilt(reading: Reading, reference: Reading) -> float:
    """By how much a reading's octaves rise with frequency beside a reference's, dB an octave, the bands of 1x and below left out; 0 where
    too few are left.

    Median of the slopes between any two (Theil 1950; Sen, J. Am. Stat. Assoc. 63 (1968) 1379-1389), so that one band does not make it.
    """
    theirs = {q.name: q.value for q in reference.quantities if q.name.startswith(OCTAVES)}
    lowest = 2**0.5 * max(reading.speed.rpm or 0.0, reference.speed.rpm or 0.0) / 60
    ours = {float(q.name.split()[1]): q.value - theirs[q.name] for q in reading.quantities if q.name in theirs}
    moved = [(math.log2(hz), by) for hz, by in ours.items() if hz > lowest]
    slopes = [(b - a) / (y - x) for (x, a), (y, b) in combinations(moved, 2)]
    return float(np.median(slopes)) if len(moved) >= FEWEST_TILTED else 0.0


def least_gain(reading: Reading, reference: Reading) -> float:
    """Gain of a reading against one reference, dB, where work in between may have moved all lines, or all of the noise.

    Of the middle of the lines and that of the bands the one nearer to none, and none where they lie either side of it: what is shared.
    """
    shift, bands = _shifts(reading, (reference,))
    if bands.size < FEWEST or bands.all() or not bands.any():
        return 0.0
    lines, noise = (float(np.median(shift[0, kind])) for kind in (~bands, bands))
    return math.copysign(min(abs(lines), abs(noise)), lines) if lines * noise > 0 else 0.0


def _shifts(reading: Reading, references: Sequence[Reading]) -> tuple[Array, npt.NDArray[np.bool_]]:
    """(1 + references, levels) each line and octave that all have over the mean of the references, dB; (levels,) what is an octave."""
    every = [_levels(r) for r in (reading, *references)]
    common = [name for name in every[0] if all(name in each for each in every[1:])]
    table = np.array([[each[name] for name in common] for each in every])
    return table - table[1:].mean(axis=0), np.array([name.startswith(OCTAVES) for name in common], bool)


def _is_calibrated(reading: Reading) -> bool:
    return any(unit != RELATIVE for role, unit in reading.channels if role == "vibration")


def wary_gain(reading: Reading, reference: Reading, common_db: float) -> float:
    """Gain of a reading against one reference, dB, where a fault of the propeller may have moved half of what tells the common one.

    A hurt blade raises the orders between blade passes and the noise with them, an unbalance 1x. The middle one of the common gain, of
    what blade passes and lines at the electrical orders say, and of none; the common one where too few of these are clear.
    """
    ours, theirs = _quiet_levels(reading), _quiet_levels(reference)
    apart = [ours[order] - theirs[order] for order in ours.keys() & theirs.keys()]
    return float(np.median([common_db, np.median(apart), 0.0])) if len(apart) >= FEWEST_QUIET else common_db


def _quiet_levels(reading: Reading) -> dict[float, float]:
    """Level of blade passes and of lines at the electrical orders, dB at 100 Hz of shaft speed."""
    settings = reading.settings
    pace = FORCE * math.log10(reading.speed.rpm / 6000) if reading.speed.rpm else 0.0
    electrical = electrical_orders(settings.poles)
    found = {
        p.order: 10 * math.log10(p.power) - pace
        for p in reading.powers
        if p.order in electrical and p.power > CLEAR * p.noise and p.power > 0
    }
    return found | {
        line.order: 20 * math.log10(line.amplitude) - pace
        for line in reading.orders
        if settings.blades and line.order % settings.blades == 0 and line.amplitude > math.sqrt(CLEAR) * line.floor
    }


def _median(values: Array, weight: Array) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weight[order]), weight.sum() / 2)])
