"""What one rotor that stands over the others in 1x in flight says, with no healthy recording: an unbalance of that rotor, or something else
that shakes it once a turn.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from vibekit.blade_count import chances_of, if_named, together
from vibekit.dominance import LEAD, LOUDEST, TURNS
from vibekit.likelihood import UNFORESEEN
from vibekit.made_table import rows_of, table_text
from vibekit.reading import Quantity, Reading
from vibekit.wording import blades_words

Array = npt.NDArray[np.float64]
LEVELS_DB, LEADS = (4.0, 7.0, 10.0, 12.0, 14.0, 16.0, 18.0, 21.0), (-5.0, -2.0, 2.0, 5.0, 8.0, 11.0)  # edges of the steps
LEVELS_AT, LEADS_AT = (2.0, 5.5, 8.5, 11.0, 13.0, 15.0, 17.0, 19.5, 23.0), (-7.0, -3.5, 0.0, 3.5, 6.5, 9.5, 13.0)  # their middles
LEVEL_COLUMNS = tuple(f"from {edge:g} dB" for edge in (0, *LEVELS_DB))
LEAD_COLUMNS = (f"lead below {LEADS[0]:g} %", *(f"from {edge:g} %" for edge in LEADS))
MOST = 0.75  # share of the power of 1x from which one rotor is said to have it
SOUND = "sound"  # row of the table: nothing is wrong that raises 1x
CUT_TIP = "cut tip"  # row of the table: half of the damaged blades, those that lost lift; that of the condition's own name are nicks
DAMAGE = "blade-damage"
PM = "\N{PLUS-MINUS SIGN}"


def step_of(value: float, edges: Sequence[float]) -> int:
    """The step in which a value lies."""
    return int(np.searchsorted(edges, value, side="right"))


@cache
def _chances(columns: tuple[str, ...]) -> dict[str, Array]:
    """Chance of each step under each row of the table, as far as the rig is believed."""
    rows = {row["condition"]: np.array([float(row[column]) for column in columns]) for row in rows_of(table_text("dominance.csv"))}
    return {name: (1 - UNFORESEEN) * row / row.sum() + UNFORESEEN / len(columns) for name, row in rows.items()}


def odds_of(level_db: float | None, lead: float | None = None) -> dict[str, float]:
    """Log10 of the odds of each condition that raises 1x against none, where the loudest rotor stands and leads so far.

    level_db: None where it is left out; lead: %, None where it is not known. Level and lead of one condition are taken as independent.
    A straight line between the steps' middles; a level further out never speaks less for a condition (monotone likelihood ratio).
    """
    levels, leads = _chances(LEVEL_COLUMNS), _chances(LEAD_COLUMNS)
    odds = {}
    for name in levels.keys() - {SOUND}:
        said = 0.0
        if level_db is not None:
            said += np.interp(level_db, LEVELS_AT, np.maximum.accumulate(np.log10(levels[name] / levels[SOUND])))
        if lead is not None:
            said += np.interp(lead, LEADS_AT, np.log10(leads[name] / leads[SOUND]))
        odds[name] = 10 ** float(said)
    odds[DAMAGE] = (odds[DAMAGE] + odds.pop(CUT_TIP)) / 2
    return {name: math.log10(each) for name, each in odds.items()}


@dataclass(frozen=True, slots=True)
class OneOfFour:
    """What flights say of the loudest rotor: in words, and `odds_of` it.

    counts: where nobody said how many blades the propellers have, {number: (its probability, the odds if it is so)}
    """

    text: str
    odds: Mapping[str, float]
    counts: Mapping[int, tuple[float, Mapping[str, float]]]

    def if_counted(self, chance: Mapping[str, float]) -> dict[int, tuple[float, dict[str, float]]]:
        """What counting the blades would say: {number: (its probability, the probability of each condition if it is so)}.

        chance: of each condition, this evidence included
        """
        found = {}
        for blades, (probability, odds) in self.counts.items():
            weight = {name: each * 10 ** (odds.get(name, 0.0) - self.odds.get(name, 0.0)) for name, each in chance.items()}
            total = sum(weight.values())
            found[blades] = probability, {name: each / total for name, each in weight.items()}
        return found


def one_of_four(readings: Sequence[Reading], references: Sequence[Reading], told: Mapping[str, float] | None = None) -> OneOfFour | None:
    """What flights show of one rotor over the others; None where that is nothing.

    told: log10 of the odds of each condition against none by the rise of 1x against healthy flights; None where it was not compared
    Several flights are one craft, whose rotors stand to each other as they do: their mean counts once. What its healthy flights show of
    the same craft is no damage and taken off. The rise of 1x and the loudest rotor's level are two witnesses of one unbalance: the stronger
    counts, so of the level only what it tells beyond the rise. The lead comes of lost lift, whatever 1x does, and counts by itself.

    Where the number of blades was not said, the logarithms of each number's odds are weighed by its probability (logarithmic pool:
    Genest & Zidek, Stat. Sci. 1 (1986) 114, from memory). All are read from one flight, in which a rotor that truly stands out does so
    by every account: a number of which the others say the opposite counts less than it would in the mean of the odds.
    """
    flights, past = ([r for r in group if r.settings.test == "flight" and r.quantity(LOUDEST)] for group in (readings, references))
    if not flights:
        return None
    said, chances = _blades(flights)
    likeliest = max(chances, key=lambda blades: chances[blades], default=said)

    def odds_if(blades: int | None) -> dict[str, float]:
        both, lead = (_beyond(flights, past, blades, level=level) for level in (True, False))
        if told is None:
            return both
        return {name: each + max(both[name] - each - max(told.get(name, 0.0), 0.0), 0.0) for name, each in lead.items()}

    counts = {blades: (chance, odds_if(blades)) for blades, chance in chances.items()}
    rest = 1 - sum(chances.values())  # with numbers too improbable to be looked into, only the beats tell
    weighed = [*counts.values(), (rest, odds_if(said))]
    odds = {name: sum(chance * each[name] for chance, each in weighed) for name in weighed[0][1]}
    if told is not None and not any(odds.values()):
        return None
    return OneOfFour(_words(flights, past, likeliest, chances, stands_out=max(odds.values()) > 0), odds, counts)


def how_many(readings: Sequence[Reading]) -> str:
    """How many rotors of a flight that is not sound may be hurt, what no sensor on the frame can tell, and what does; empty without one."""
    flights = [r for r in readings if r.settings.test == "flight"]
    if not flights or len(flights) < len(readings):
        return ""
    said, chances = _blades(flights)
    level = _measured(flights, LOUDEST, max(chances, key=lambda blades: chances[blades], default=said))
    ratio = 10 ** (_mean(level)[0] / 10) if level else 0.0
    share = ratio / (ratio + 3)
    percent = "over 99" if share > 0.99 else f"{100 * share:.0f}"
    one = f"One rotor has {percent} % of the power of 1x; others that are hurt may hide beneath it"
    which = f"{one if share > MOST else 'No rotor by itself has most of 1x, so more than one may be hurt'}. " if level else ""
    return (
        f"{which}On which arm, a sensor on the frame cannot tell: look at every propeller, and record each rotor by itself, all alike "
        "(`--test prop`; `vibekit record CRAFT --round` takes all in one)."
    )


def _blades(flights: Sequence[Reading]) -> tuple[int | None, dict[int, float]]:
    """Number of blades as it was said, and where nobody did the probability of each."""
    said = next((r.settings.blades for r in flights if r.settings.blades), None)
    return said, {} if said else together([chances_of(r) for r in flights])


def _beyond(flights: Sequence[Reading], past: Sequence[Reading], blades: int | None, *, level: bool) -> dict[str, float]:
    """Odds by the level, where that is to count, and the lead of the loudest rotor, beyond what healthy flights show."""
    now, before = (_odds(group, blades, level=level) for group in (flights, past))
    return {name: each - max(before[name], 0.0) for name, each in now.items()}


def _odds(flights: Sequence[Reading], blades: int | None, *, level: bool) -> dict[str, float]:
    over = _measured(flights, LOUDEST, blades) if level else []
    lead = _measured(flights, LEAD, blades)
    return odds_of(_mean(over)[0] if over else None, _mean(lead)[0] if lead else None)


def _words(
    flights: Sequence[Reading], past: Sequence[Reading], blades: int | None, chances: Mapping[int, float], *, stands_out: bool
) -> str:
    level, u95 = _mean(_measured(flights, LOUDEST, blades))
    said = f"in flight the loudest rotor's 1x is {level:.1f} dB {PM} {u95:.1f} over the mean of the other three"
    if before := _measured(past, LOUDEST, blades):
        said += f" ({_mean(before)[0]:.1f} dB in its healthy flights)"
    if stands_out:
        beyond = np.cumsum(_chances(LEVEL_COLUMNS)[SOUND][::-1])[::-1][1:]
        few = _few(100 * float(np.interp(level, LEVELS_DB, beyond)))
        said += f", as {few} sound craft of the rig show; it turns at {_mean(_measured(flights, TURNS, blades))[0]:.0f} rpm"
        if lead := _measured(flights, LEAD, blades):
            said += _ahead(*_mean(lead))
        if before := _measured(past, LEAD, blades):
            said += f" ({_mean(before)[0]:+.1f} % in its healthy flights)"
        said += "; on which arm it sits one sensor cannot tell"
    return f"{said}; {blades_words(chances)}" if chances else said


def _measured(flights: Sequence[Reading], name: str, blades: int | None) -> list[Quantity]:
    """A quantity of each flight that has it, as it is if there are so many blades where that was looked into."""
    return [q for r in flights if (q := (r.quantity(if_named(name, blades)) if blades else None) or r.quantity(name))]


def _ahead(lead: float, u95: float) -> str:
    if abs(lead) <= u95:
        return ""
    said = f", {abs(lead):.1f} % {PM} {u95:.1f} {'faster' if lead > 0 else 'slower'} than the rotors' mean"
    return f"{said}, as one does whose blades lift less" if lead > LEADS[-2] else said


def _few(percent: float) -> str:
    return f"{percent:.0f} in 100" if percent >= 1 else "fewer than 1 in 100"


def _mean(found: Sequence[Quantity]) -> tuple[float, float]:
    """Mean and half width of its 95 % interval."""
    return float(np.mean([q.value for q in found])), float(np.linalg.norm([q.u95 for q in found])) / len(found)
