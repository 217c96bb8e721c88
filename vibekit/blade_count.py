"""How many blades the propellers of a flight have, from its lines, where nobody said it.

Blades that are alike leave of the shaft's orders only the multiples of their number (Lighthill 1952; Gutin, NACA TM 1195, 1936), 1x
tells of balance, and what else there is of unlike blades and of the motor. So each number expects other orders to stand out, each
by as much as the rig's flights show; half-way between orders nothing does, which tells the speed that they are orders of.
"""

import math
from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from vibekit.dominance import FLOOR, LEAD, LOUDEST, Band, Spans, spectra_of
from vibekit.likelihood import UNFORESEEN
from vibekit.made_table import rows_of, table_text
from vibekit.reading import Quantity, Reading
from vibekit.transform import Transform, running_floor

Array = npt.NDArray[np.float64]
PRIOR: Mapping[int, float] = {2: 0.50, 3: 0.30, 4: 0.10, 5: 0.06, 6: 0.04}  # of small craft (common practice, no source)
TOP = 2 * max(PRIOR)  # orders looked at
REACH, WIDEST = 0.1, 0.3  # half width of an order's band, of the order, and in orders at most
NEAR = np.linspace(0.95, 1.05, 9)  # of the speed found: it is a mean of rotors that turn unlike, known to a few per cent
LINE = 1.5 * FLOOR  # times the mean power of noise, which noise passes in one bin of 400
BLOCK_HZ = 60.0  # over which the floor is the median
STEPS_DB = (-20.0, -14.0, -8.0, -3.0, 2.0, 7.0, 12.0, 18.0, 25.0)  # edges: power of lines over that of noise in a band
COLUMNS = (f"below {STEPS_DB[0]:g} dB", *(f"from {edge:g} dB" for edge in STEPS_DB))
KINDS = ("1x", "blade pass", "2 x blade pass", "higher multiple", "2x", "3x", "4x to 6x", "7x and more")
BETWEEN = ("below 1x", "between 1x and 3x", "between higher orders")
TRUST = 0.7  # power of the likelihood: lines of one craft share its noise and its ways, so they tell less than they would alone
LEAST = 0.02  # numbers less probable are not looked into
LOOKS_LIKE = "looks like {} blades"  # name of the quantity that holds a number's probability


def kind_of(order: int, blades: int) -> str:
    """What an order is on propellers of so many blades, a row of the table."""
    if order == 1:
        return KINDS[0]
    if order % blades == 0:
        return KINDS[min(order // blades, 3)]
    return KINDS[4 if order == 2 else 5 if order == 3 else 6 if order < 7 else 7]


def between_of(order: float) -> str:
    """The row of the table that tells what stands there where the shaft has no order."""
    return BETWEEN[0 if order <= 1 else 1 if order <= 3 else 2]


def line_levels(transform: Transform, orders: Array, speeds_hz: Array, top_hz: float, apart_s: Spans = ()) -> Array:
    """(orders, speeds) power of lines over that of noise about each order of each mean speed, dB; nan beyond `top_hz`.

    Half orders are looked at no wider than no rotor's line reaches. Lines are sought in frames so short that a rotor which wanders
    does not smear them, above a floor that is the median over all frames.
    """
    low = (float(orders.min()) - WIDEST) * float(speeds_hz.min())
    band = Band.between(transform, max(low, 0.0), min(top_hz, (float(orders.max()) + WIDEST) * float(speeds_hz.max())), apart_s)
    power, frequency = spectra_of(band)
    step = float(frequency[1] - frequency[0])
    floor = running_floor(np.median(power, axis=0), max(int(BLOCK_HZ / step), 8)) / math.log(2)
    lines = np.maximum(power / np.maximum(floor, np.finfo(float).tiny) - LINE, 0.0).mean(axis=0)
    total = np.concatenate([[0.0], np.cumsum(lines)])
    half = np.minimum(REACH * orders, np.where(orders % 1, 2 * REACH, WIDEST))[:, None]
    ends = [np.rint(((orders[:, None] + side * half) * speeds_hz - band.low_hz) / step).astype(int) for side in (-1, 1)]
    start, stop = ends[0].clip(0, len(lines) - 1), ends[1].clip(1, len(lines))
    level = 10 * np.log10((total[stop] - total[start]) / np.maximum(stop - start, 1) + 1e-4)
    return np.where((orders[:, None] + half) * speeds_hz < top_hz, level, np.nan)


@cache
def _logs() -> tuple[dict[str, Array], dict[str, Array]]:
    """Log of the chance of each step, as far as the rig is believed, for each kind of order, (fainter, steps), and between orders.

    fainter: by how many steps all lines of a recording stand lower over its noise than the rig's do, the lowest step for those below it
    """
    rows = {row["lines"]: np.array([float(row[column]) for column in COLUMNS]) for row in rows_of(table_text("blade_count.csv"))}
    count = len(COLUMNS)

    def logs(row: Array) -> Array:
        return np.asarray(np.log((1 - UNFORESEEN) * row / row.sum() + UNFORESEEN / count))

    def fainter(row: Array, by: int) -> Array:
        return np.concatenate([[row[: by + 1].sum()], row[by + 1 :], np.zeros(by)])

    return {name: np.stack([logs(fainter(rows[name], by)) for by in range(count)]) for name in KINDS}, {n: logs(rows[n]) for n in BETWEEN}


def scores(transform: Transform, speeds_hz: Array, top_hz: float, blades: int | None = None, apart_s: Spans = ()) -> dict[int, Array]:
    """Log of the prior times the likelihood of what stands at the orders of each mean speed, (fainter, speeds), by number of blades.

    transform: of one channel; top_hz: up to which it is trusted; blades: of each propeller, if they were counted
    What stands between orders counts as where no speed has any, so speeds compare by it too.
    """
    levels, (lines, noise) = line_levels(transform, np.arange(1.0, TOP + 1), speeds_hz, top_hz, apart_s), _logs()
    step, seen = np.searchsorted(STEPS_DB, levels, side="right"), np.isfinite(levels)
    found = {}
    for count, prior in ({blades: 1.0} if blades else PRIOR).items():
        each = np.stack([lines[kind_of(k, count)][:, step[k - 1]] - noise[between_of(k)][step[k - 1]] for k in range(1, TOP + 1)])
        found[count] = math.log(prior) + TRUST * np.where(seen[:, None], each, 0.0).sum(axis=0)
    return found


def blade_chances(transform: Transform, mean_hz: float, top_hz: float, apart_s: Spans = ()) -> dict[int, float]:
    """Probability of each number of blades that is probable enough, most probable first.

    transform: of one channel; mean_hz: mean speed of the rotors; top_hz: up to which it is trusted
    Where noise hides the lines, or a slow sensor does not reach their orders, the prior stays.
    """
    found = scores(transform, mean_hz * NEAR, top_hz, apart_s=apart_s)
    score = {blades: float(np.logaddexp.reduce(each, axis=None)) for blades, each in found.items()}
    most = max(score.values())
    weight = {blades: math.exp(each - most) for blades, each in score.items()}
    chance = {blades: each / sum(weight.values()) for blades, each in sorted(weight.items(), key=lambda item: -item[1])}
    return {blades: each for blades, each in chance.items() if each >= LEAST}


def if_blades(blades: int, chance: float, measured: Sequence[Quantity]) -> tuple[Quantity, ...]:
    """Quantities that hold if the propellers have so many blades, under names that say so, behind the probability of that."""
    return (
        Quantity(LOOKS_LIKE.format(blades), chance, 0.0, "1"),
        *(Quantity(if_named(q.name, blades), q.value, q.u95, q.unit) for q in measured if q.name in (LOUDEST, LEAD)),
    )


def if_named(name: str, blades: int) -> str:
    """Name of a quantity that holds if the propellers have so many blades."""
    return f"{name}, {blades} blades"


def chances_of(reading: Reading) -> dict[int, float]:
    """Probability of each number of blades that was looked into, most probable first; none where the number was said."""
    found = {blades: q.value for blades in PRIOR if (q := reading.quantity(LOOKS_LIKE.format(blades)))}
    whole = max(sum(found.values()), 1.0)  # of pieces that do not name the same numbers
    return {blades: each / whole for blades, each in sorted(found.items(), key=lambda item: -item[1])}


def together(each: Sequence[Mapping[int, float]]) -> dict[int, float]:
    """Probability of each number of blades over several flights of one craft: their mean, as lines that mislead in one do in all."""
    return {blades: mean for blades in PRIOR if (mean := sum(chances.get(blades, 0.0) for chances in each) / len(each)) > 0}
