"""The visits of a motor to the bench: readings that belong together, between one piece of work and the next."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from vibekit.errors import UsageError
from vibekit.kept import VISIT, KeptReading, PartAction


@dataclass(frozen=True, slots=True)
class Visit:
    """Readings of one motor in one state, oldest first."""

    kept: tuple[KeptReading, ...]

    @property
    def began(self) -> datetime:
        """When its first recording was made."""
        return self.kept[0].when

    @property
    def ended(self) -> datetime:
        """When its last recording was made."""
        return self.kept[-1].when


def visits_of(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[Visit, ...]:
    """Part the readings of one motor into visits: work on a part, or twelve hours, lie between two of them."""
    found: list[list[KeptReading]] = []
    for reading in sorted(kept, key=lambda k: k.when):
        last = found[-1][-1].when if found else None
        worked = last is not None and any(last < action.done_at <= reading.when for action in actions)
        if last is None or worked or reading.when - last > VISIT:
            found.append([])
        found[-1].append(reading)
    return tuple(Visit(tuple(together)) for together in found)


def visit_at(visits: Sequence[Visit], text: str, *, first: bool) -> Visit | None:
    """Give the visit of a day ("2026-03-01") or nearest to a moment ("2026-03-01T14:30"), local time; None when there is none that day.

    first: of several on one day the first, else the last. Raises UsageError when the text is no date.
    """
    try:
        moment = datetime.fromisoformat(text).astimezone()
    except ValueError:
        raise UsageError(f"date is {text!r}; write it such as 2026-03-01 or 2026-03-01T14:30") from None
    that_day = [v for v in visits if v.began.astimezone().date() <= moment.date() <= v.ended.astimezone().date()]
    if not that_day:
        return None
    if "T" in text or " " in text:
        return min(that_day, key=lambda v: min(abs(k.when - moment) for k in v.kept))
    return that_day[0] if first else that_day[-1]
