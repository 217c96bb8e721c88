"""The quantities of a reading as a person reads them; programs get every one, from JSON and CSV."""

from collections.abc import Collection

from vibekit.defect_comb import ANY
from vibekit.observation import COMB, COMBS, PARTS
from vibekit.pulses import ANYWHERE, LINES, SHARE, SHOWN
from vibekit.reading import Quantity, Reading
from vibekit.wording import SHORT, listed, sentence, with_interval


def readable(names: Collection[str]) -> list[str]:
    """Leave out what only serves the score of a bearing's pulses: the same counted otherwise, and how much of its range can be seen."""
    serving = {comb + end for comb in COMBS for end in (SHOWN, LINES, ANYWHERE)}
    return [name for name in names if name not in serving]


def quantity_rows(reading: Reading) -> list[tuple[str, str]]:
    """Give name and value, with its 95 % interval and unit, of each quantity that says something by itself."""
    kept = set(readable([q.name for q in reading.quantities])) - (set(COMBS) - set(_looked_at(reading)))
    return [_row(q) for q in reading.quantities if q.name in kept]


def _looked_at(reading: Reading) -> list[str]:
    """Names of the combs that count: of the known bearing's parts, or of another than was named where it shows."""
    parts, other = [part for part in PARTS if reading.quantity(part)], reading.quantity(ANY)
    return [ANY] if other and (other.value > 0 or not parts) else parts


def _row(quantity: Quantity) -> tuple[str, str]:
    part = quantity.name.removeprefix(SHARE)
    if part != quantity.name:
        return f"{part}, if a bearing", f"{quantity.value:.0%}".replace("%", "\N{NO-BREAK SPACE}%")
    return quantity.name, with_interval(quantity.value, quantity.u95, quantity.unit)


def hidden_words(reading: Reading) -> str:
    """Say how much of where a bearing's pulses may lie could not be looked at, where they were not found; "" where nothing was hidden."""
    hidden: dict[str, list[str]] = {}
    for comb in _looked_at(reading):
        score, shown = reading.quantity(comb), reading.quantity(comb + SHOWN)
        if score and shown and score.value < COMB[0] and round(100 * shown.value) < 100:
            hidden.setdefault(f"{1 - shown.value:.0%}".replace("%", "\N{NO-BREAK SPACE}%"), []).append(SHORT[comb])
    said = [f"{listed(combs)}: {share} of where they may lie is hidden among other lines" for share, combs in hidden.items()]
    return f"{sentence('; '.join(said))}." if said else ""
