"""Make the table of repeatability: what repeating a measurement, and taking another good motor, do to each quantity on the rig."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import Executor

import numpy as np

from vibekit.change import CHANGES, Match, match_levels, match_lines, pair_up
from vibekit.line_groups import LINES, ONE_BY_ONE, group
from vibekit.median import MAD_TO_SD
from vibekit.reading import Reading
from vibekit.rig import draw_craft
from vibekit.rig.craft import ROTORS
from vibekit.rig_case import EVERY, SENSORS, rig_reading
from vibekit.variances import prior_variance

TAKES = 4
CLEAR = 0.05  # a line is clear of noise when its amplitude is known to this share
FEWEST = 10  # craft that a row stands on
Take = tuple[str, str, str, list[float], list[float]]  # quantity, test, sensor, variances over takes, shifts from the other motors


def _takes(seed: int) -> list[Take]:
    """What takes of one rotor do to each quantity, and how it stands to the other rotors, on one craft, with each sensor.

    Lines that hide in noise are left out: what noise does to them is known from the readings themselves.
    """
    craft = draw_craft(seed)
    rows: list[Take] = []
    for sensor in SENSORS:
        for test in EVERY:
            takes = [rig_reading(craft, test, sensor, take) for take in range(TAKES)]
            others = [rig_reading(craft, test, sensor, 9, rotor=rotor) for rotor in range(1, ROTORS)]
            for name in CHANGES:
                alone = [m for m in _matches(name, takes[:1], takes, peers=False) if m.references == TAKES]
                beside = _matches(name, takes[:1], others, peers=True)
                clear = CLEAR if name in LINES else np.inf
                variances = [m.scatter / (TAKES - 1) for m in alone if m.noise < clear**2]
                rows.append((name, test, str(sensor), variances, [m.shift for m in beside if m.noise < clear**2]))
    return rows


def _matches(name: str, readings: Sequence[Reading], references: Sequence[Reading], *, peers: bool) -> list[Match]:
    """Of a group of lines that are looked at one by one, each; else the one."""
    settings = readings[0].settings
    found = []
    for pair in pair_up(readings, references):
        if name not in LINES:
            found.append(match_levels(pair, name, peers=peers))
        elif name in ONE_BY_ONE:
            found += [match_lines(pair, (order,), peers=peers) for order in group(name, settings)]
        else:
            found.append(match_lines(pair, group(name, settings), peers=peers))
    return [match for match in found if match]


def make_repeatability(seeds: Iterable[int], pool: Executor) -> str:
    """Text of repeatability.csv: prior variance over takes with what it is worth, and robust spread between motors beyond it.

    Lines that are looked at one by one share their variances: what repeating does to a line does not depend on the group it is in.
    """
    variances: defaultdict[tuple[str, str, str], list[float]] = defaultdict(list)
    shifts: defaultdict[tuple[str, str, str], list[float]] = defaultdict(list)
    for rows in pool.map(_takes, seeds):
        for name, test, sensor, values, moved in rows:
            for each in ONE_BY_ONE if name in ONE_BY_ONE else (name,):
                variances[each, test, sensor] += values
                shifts[each, test, sensor] += moved
    lines = ["quantity,test,sensor,deviation,worth,spread"]
    for key, values in sorted(variances.items()):
        if len(values) < FEWEST:
            continue
        variance, worth = prior_variance(np.array(values), TAKES - 1)
        apart = MAD_TO_SD * float(np.median(np.abs(shifts[key]))) if shifts[key] else 0.0
        spread = np.sqrt(max(apart**2 / (1 + 1 / (ROTORS - 1)) - variance, 0.0))
        lines.append(",".join([*key, f"{np.sqrt(variance):.4f}", f"{worth:.1f}", f"{spread:.3f}"]))
    return "\n".join(lines) + "\n"
