"""What a piece of work did: the sitting before it against the sitting after it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from vibekit.change import Change, changed, pair_up
from vibekit.course import watched
from vibekit.kept import KeptReading, PartAction
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
    table = load_repeatability()
    found = []
    for action in sorted(actions, key=lambda a: a.done_at):
        for test, setup in kinds:
            visits = visits_of([k for k in usable if (k.settings.test, k.setup) == (test, setup)], actions)
            before = max((v for v in visits if v.ended < action.done_at), key=lambda v: v.ended, default=None)
            after = min((v for v in visits if v.began >= action.done_at), key=lambda v: v.began, default=None)
            sides = [[k.comparable for k in v.kept] if v else [] for v in (after, before)]
            pairs = pair_up(sides[0], sides[1])
            changes = tuple(moved for name in watched(test) if (moved := changed(name, pairs, table)) is not None)
            found.append(Effect(action, test, setup, before.began if before else None, after.began if after else None, changes))
    return tuple(found)
