"""What a piece of work did: the sitting before it against the sitting after it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from vibekit.change import Change, Pairing, changed, pair_up
from vibekit.course import watched
from vibekit.gain import least_gain
from vibekit.kept import KeptReading, PartAction
from vibekit.line_groups import LINES
from vibekit.reading import Reading
from vibekit.repeatability import load_repeatability
from vibekit.settings import Test
from vibekit.visits import visits_of


@dataclass(frozen=True, slots=True)
class Effect:
    """One piece of work as one test in one set-up saw it.

    before, after: when the sittings next to it began, None where there is none; several pieces of work may lie between the two
    changes: of every quantity, after against before; none where the two cannot be compared
    """

    action: PartAction
    test: Test | None
    setup: str
    before: datetime | None
    after: datetime | None
    changes: tuple[Change, ...]


def effects_of(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> tuple[Effect, ...]:
    """Give what each piece of work on one motor did, oldest first, under each test and set-up that has readings."""
    usable = [k for k in kept if k.reading.screening.usable]
    kinds = dict.fromkeys((k.settings.test, k.setup) for k in usable)
    found = []
    for action in sorted(actions, key=lambda a: a.done_at):
        for test, setup in kinds:
            visits = visits_of([k for k in usable if (k.settings.test, k.setup) == (test, setup)], actions)
            before = max((v for v in visits if v.ended < action.done_at), key=lambda v: v.ended, default=None)
            after = min((v for v in visits if v.began >= action.done_at), key=lambda v: v.began, default=None)
            sides = [[k.comparable for k in v.kept] if v else [] for v in (after, before)]
            changes = changes_between(sides[1], sides[0], test)
            found.append(Effect(action, test, setup, before.began if before else None, after.began if after else None, changes))
    return tuple(found)


def changes_between(before: Sequence[Reading], after: Sequence[Reading], test: Test | None) -> tuple[Change, ...]:
    """What changed on one motor under one test, quantity by quantity, as far as the readings can be compared.

    Repeats of a line scatter by a share of it, so a line that fell is held to the scatter of what it fell to: the same rise, seen from the
    other side. Nothing here is a verdict's clue; the work may have moved all lines or all of the noise, which the sensor's gain takes in.
    """
    table, forth, back = load_repeatability(), _paired(after, before), _paired(before, after)
    found = []
    for name in watched(test):
        moved = changed(name, forth, table)
        if moved and moved.delta < 0 and name in LINES and (rise := changed(name, back, table)):
            moved = replace(rise, delta=-rise.delta, z=-rise.z, compared=rise.references, references=rise.compared)
        found.append(moved)
    return tuple(filter(None, found))


def _paired(readings: Sequence[Reading], references: Sequence[Reading]) -> list[Pairing]:
    return [replace(p, gains_db=tuple(least_gain(p.reading, r) for r in p.references)) for p in pair_up(readings, references)]
