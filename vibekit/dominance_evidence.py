"""What one rotor that stands over the others in 1x in flight says, with no healthy recording: an unbalance of that rotor, or something else
that shakes it once a turn.
"""

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt

from vibekit.dominance import LOUDEST, TURNS
from vibekit.likelihood import UNFORESEEN
from vibekit.made_table import rows_of, table_text
from vibekit.reading import Reading

Array = npt.NDArray[np.float64]
EDGES_DB = (4.0, 7.0, 10.0, 12.0, 14.0, 16.0, 18.0, 21.0)
SOUND = "sound"  # row of the table: nothing is wrong that raises 1x
MIDDLES_DB = (2.0, 5.5, 8.5, 11.0, 13.0, 15.0, 17.0, 19.5, 23.0)  # of the steps between the edges
# share of hurt craft on which a second rotor is hurt as much, so that none stands out: a crash seldom marks one propeller alone
# (common practice, no source)
NOT_ALONE = 0.3


@cache
def _chances() -> dict[str, Array]:
    """Chance of each step under each condition of the table, as far as the rig is believed."""
    rows = rows_of(table_text("dominance.csv"))
    steps = [f"from {edge:g} dB" for edge in (0, *EDGES_DB)]
    found = {row["condition"]: np.array([float(row[step]) for step in steps]) / 100 for row in rows}
    found = {name: (1 - UNFORESEEN) * row / row.sum() + UNFORESEEN / len(steps) for name, row in found.items()}
    return {name: row if name == SOUND else (1 - NOT_ALONE) * row + NOT_ALONE * found[SOUND] for name, row in found.items()}


def odds_of(level_db: float) -> dict[str, float]:
    """Log10 of the odds of each condition that raises 1x against none, where the loudest rotor stands so far over the others.

    A straight line between the steps' middles; further out never speaks less for a condition (monotone likelihood ratio).
    """
    chances = _chances()
    raising = {name: np.maximum.accumulate(np.log10(row / chances[SOUND])) for name, row in chances.items() if name != SOUND}
    return {name: float(np.interp(level_db, MIDDLES_DB, odds)) for name, odds in raising.items()}


def one_of_four(readings: Sequence[Reading], references: Sequence[Reading]) -> tuple[str, dict[str, float]] | None:
    """In words, and `odds_of` what flights show; None without one, or where flights have a reference.

    Several flights are one craft, whose rotors stand to each other as they do: their mean counts once. Where healthy flights of this
    craft are there, the rise of 1x against them tells the same, and better.
    """
    flights = [r for r in readings if r.settings.test == "flight" and r.quantity(LOUDEST)]
    if not flights or any(r.settings.test == "flight" for r in references):
        return None
    found = [q for r in flights if (q := r.quantity(LOUDEST))]
    level, u95 = float(np.mean([q.value for q in found])), float(np.linalg.norm([q.u95 for q in found])) / len(found)
    odds = odds_of(level)
    said = f"in flight the loudest rotor's 1x is {level:.1f} dB \N{PLUS-MINUS SIGN} {u95:.1f} over the mean of the other three"
    if max(odds.values()) > 0:
        beyond = np.append(np.cumsum(_chances()[SOUND][::-1])[::-1][1:], 0.0)[:-1]
        share = 100 * float(np.interp(level, EDGES_DB, beyond))
        few = f"{share:.0f} in 100" if share >= 1 else "fewer than 1 in 100"
        said += f", as {few} sound craft of the rig show; {_which(flights)}"
    return said, odds


def _which(flights: Sequence[Reading]) -> str:
    """The rotor by its speed; its place one sensor cannot know."""
    nowhere = "on which arm it sits one sensor cannot tell"
    speeds = [(q, r.speed.rpm, r.speed.rpm_u95 or 0.0) for r in flights if (q := r.quantity(TURNS)) and r.speed.rpm]
    if not speeds:
        return nowhere
    rpm = float(np.mean([q.value for q, _, _ in speeds]))
    apart = float(np.mean([q.value / mean - 1 for q, mean, _ in speeds]))
    clear = abs(apart) > max(math.hypot(q.u95, u95) / mean for q, mean, u95 in speeds)
    beside = f", {abs(100 * apart):.0f} % {'faster' if apart > 0 else 'slower'} than the rotors' mean" if clear else ""
    return f"it turns at {rpm:.0f} rpm{beside}; {nowhere}"
