"""What a swap of two propellers says of a motor, beside what its readings say by themselves."""

import math
from collections.abc import Iterable, Sequence

from vibekit.bare_and_propeller import AT
from vibekit.catalogue import load_catalogue
from vibekit.diagnosis import Hint
from vibekit.finding import Diagnosis
from vibekit.kept import PartAction
from vibekit.moment import day
from vibekit.refit import RESEATED
from vibekit.swap import ANSWERS
from vibekit.swap_gathering import ToldSwap

LEAST, MOST = 0.02, 0.98  # findings below this are not listed, so no nearer to 0 or 1 is a group of conditions known


def swap_hints(position: str, diagnosis: Diagnosis, swaps: Iterable[ToldSwap], actions: Sequence[PartAction]) -> tuple[Hint, ...]:
    """What each swap in which this rotor took part adds to its diagnosis: the suspect's motor, or the propeller that it gave away.

    The swap compares readings that the diagnosis knows in part, so they are not multiplied: of the two the surer sets how probable a
    fault of that part is (Jeffrey, The Logic of Decision (1965), ch. 11), and the diagnosis says which fault of the part it is. What was
    done to the part since ends what the swap said of it.
    """
    catalogue = load_catalogue()
    hints = []
    for swap in swaps:
        first, second, result = swap.file.first.position, swap.file.second.position, swap.result
        if position not in (first, second):
            continue
        propeller = position == second
        since = [a for a in actions if a.done_at > swap.done_at and a.did != RESEATED and (a.part == "propeller") == propeller]
        if since:
            continue
        group = [c.condition for c in catalogue.conditions if (c.part == "propeller" if propeller else c.part not in AT) and c.prior > 0]
        here = result.probabilities["propeller" if propeller else "motor"] + result.probabilities["both"]
        alone = min(max(sum(f.probability for f in diagnosis.findings if f.condition in group), LEAST), MOST)
        if abs(here - 0.5) <= abs(alone - 0.5):
            continue
        here = min(max(here, LEAST), MOST)
        weight = math.log10(here / (1 - here)) - math.log10(alone / (1 - alone))
        given = f"the propeller that came from {first}" if propeller else f"its propeller went to {second}"
        text = f"swap test of {day(swap.done_at)}, {given}: {ANSWERS[result.answer]}"
        hints.append(Hint(text, dict.fromkeys(group, weight)))
    return tuple(hints)
