"""What the archive takes and gives."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vibekit.finding import Diagnosis
from vibekit.reading import Reading
from vibekit.settings import Settings

if TYPE_CHECKING:
    from vibekit.balance_job import BalanceJob

VISIT = timedelta(hours=12)  # readings of one motor closer than this belong together, unless something was done to it in between
FRESH = ("replaced", "balanced", "swapped")  # what was measured before says nothing of the part that is there now
DID = ("cleaned", "tightened", "refitted", "replaced", "balanced", "swapped", "reseated")
PARTS = ("propeller", "motor", "bearings", "bell", "shaft", "mount", "wiring", "controller", "clip", "screws")


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A reading as it is kept.

    name: of the recording's file; recording: SHA-256 of its bytes; stored: where they lie now
    setup: sensor, its place and fixing, in the owner's words, "" when not stated
    reader: roles and unit given for the file; taken_at: when recorded, None when the file does not say
    """

    id: str
    craft: str
    position: str
    name: str
    recording: str
    stored: Path
    setup: str
    reader: dict[str, Any]
    taken_at: datetime | None
    added_at: datetime
    reading: Reading
    diagnosis: Diagnosis | None

    @property
    def settings(self) -> Settings:
        """What was stated about the recording."""
        return self.reading.settings

    @property
    def comparable(self) -> Reading:
        """The reading with the set-up it may be compared in."""
        return replace(self.reading, settings=replace(self.settings, setup=self.setup))

    @property
    def sound(self) -> bool:
        """No fault was claimed of it."""
        return not (self.diagnosis and self.diagnosis.conclusion.hurt)

    @property
    def when(self) -> datetime:
        """When it was recorded, or when it was added if that is not known."""
        return self.taken_at or self.added_at


@dataclass(frozen=True, slots=True)
class NewReading:
    """A reading to be kept, with the file that it was made from."""

    position: str
    file: Path
    reading: Reading
    setup: str = ""
    reader: dict[str, Any] | None = None
    taken_at: datetime | None = None
    diagnosis: Diagnosis | None = None


@dataclass(frozen=True, slots=True)
class PartAction:
    """What was done to a part. fitted: what was put in its place or used, in words; done_at: when."""

    craft: str
    position: str
    part: str
    did: str
    fitted: str
    note: str
    done_at: datetime
    id: str = ""


def done_to(actions: Sequence[PartAction], position: str) -> tuple[PartAction, ...]:
    """Of a craft's actions those that touched one rotor, in their order: a swap touched both, though it be noted at the other."""
    own = [a for a in actions if a.position == position]
    noted = {(a.part, a.fitted, a.done_at) for a in own if a.did == "swapped"}
    given = [
        replace(a, position=position, fitted=a.position)
        for a in actions
        if a.did == "swapped" and a.fitted == position and (a.part, a.position, a.done_at) not in noted
    ]
    return tuple(sorted([*own, *given], key=lambda a: a.done_at))


@dataclass(frozen=True, slots=True)
class KeptBalance:
    """A balancing job as it is kept. recordings: SHA-256 to where the file lies, of all its recordings."""

    id: str
    job: "BalanceJob"
    engine: str
    began_at: datetime
    changed_at: datetime
    recordings: dict[str, Path]


@dataclass(frozen=True, slots=True)
class CraftSummary:
    """A craft in one line: how much is kept of it, and when something was last kept."""

    name: str
    owner: str | None
    job: str | None
    rotors: int
    readings: int
    inspections: int
    actions: int
    last: datetime
