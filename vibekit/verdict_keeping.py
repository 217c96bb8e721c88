"""What a visit said of each motor, kept with its readings before they become its past: a motor that was hurt is no sound reference."""

from collections.abc import Sequence
from datetime import UTC, datetime

from vibekit.archive import Archive
from vibekit.casefile import open_case
from vibekit.craft import Craft
from vibekit.craft_verdict import AGAIN
from vibekit.kept import VISIT, NewReading, PartAction
from vibekit.refit import RESEATED


def add_readings(archive: Archive, craft: Craft, new: Sequence[NewReading], *, replace: bool = False) -> list[str | None]:
    """Keep readings as `Archive.put_readings` does; where they begin a visit, what the one before said is kept first."""
    now, name = datetime.now(UTC), craft.name or ""
    for position in dict.fromkeys(item.position for item in new):
        last = archive.newest(name, position)
        if last and not last[1] and max(item.taken_at or now for item in new if item.position == position) - last[0] > VISIT:
            keep_verdicts(archive, name)
            break
    return archive.put_readings(craft, list(new), replace=replace)


def add_action(archive: Archive, action: PartAction) -> str:
    """Keep what was done to a part as `Archive.put_action` does, and before it what was said of the motor as it was."""
    if action.did != RESEATED:
        keep_verdicts(archive, action.craft)
    return archive.put_action(action)


def keep_verdicts(archive: Archive, name: str) -> None:
    """Keep with the readings of each motor's newest visit what they say, unless the motor was worked on since."""
    case = open_case(archive, name)
    now = {motor.position: [kept.id for kept in motor.now] for motor in case.motors}
    for position, diagnosis in case.judge().items():
        if diagnosis.conclusion.next_measurement != AGAIN:
            archive.put_verdict(now[position], diagnosis)
