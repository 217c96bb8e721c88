"""The readings on either side of a swap, gathered from the archive."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from vibekit.archive import Archive
from vibekit.errors import UsageError
from vibekit.kept import FRESH, KeptReading, PartAction, done_to
from vibekit.reading import Reading
from vibekit.refit import REFITS, RESEATED, Fittings, RefitStudy, fittings_of, learned, study
from vibekit.repeatability import load_repeatability
from vibekit.swap import Swapped, SwapResult, judge_swap
from vibekit.turning import Step
from vibekit.visits import visits_of
from vibekit.wording import listed, sentence

OPEN = ("refit", "cannot tell")  # answers that blame nothing


@dataclass(frozen=True, slots=True)
class SwapFile:
    """What is kept of a swap. action: the newest swap of the two propellers, None when none was noted; untouched: the other rotors

    refits: what refitting does, measured on rotors that are not compared
    """

    action: PartAction | None
    first: Swapped
    second: Swapped
    untouched: tuple[Swapped, ...]
    refits: tuple[RefitStudy, ...] = ()

    def judge(self) -> SwapResult | None:
        """Judge the swap, with the spread of refitting that was measured here; None while measurements are missing."""
        if self.missing:
            return None
        return judge_swap(self.first, self.second, learned(load_repeatability(), self.refits), self.untouched)

    @property
    def missing(self) -> tuple[Step, ...]:
        """The steps still to be done before the swap can be judged, in order."""
        first, second = self.first, self.second
        told: list[str] = []
        fitted = "the propeller taken off and put back in between (`vibekit refit` notes it), same sensor, place and speed"

        def measure(rotor: Swapped, which: str, done: int) -> None:
            how = "in the same way" if any(fitted in step for step in told) else fitted
            told.append(f"Measure {rotor.position} with {which} propeller {REFITS} times, {how}{f'; {done} done' if done else ''}.")

        for rotor in (first, second):
            if self.action is None and rotor.refits < REFITS:
                measure(rotor, "its", rotor.refits)
        if not first.bare:
            told.append(f"Measure {first.position} bare, {REFITS} times: what shows without a propeller is the motor's.")
        if self.action is None:
            told += [
                "Measure a rotor that will not be touched, too: it shows whether anything else changed.",
                f"Battery out; swap the propellers of {first.position} and {second.position} (only if both turn the same way and are the "
                "same model), look at each blade, and note that it is done.",
            ]
        lacking = [rotor.position for rotor in (first, second) if self.action and not rotor.before]
        if lacking:
            told.append(
                f"{sentence(listed(lacking))} {'were' if lacking[1:] else 'was'} not measured before the swap: swap the propellers back, "
                "note it, and measure both again; what was measured since the swap then counts as before."
            )
        for rotor in (first, second):
            if not rotor.after:
                measure(rotor, "the other", 0)
        if not second.after:
            told[-1] = f"{told[-1][:-1]}, then the untouched rotor."
        return tuple(Step("prop", how) for how in told)


def swap_from_archive(archive: Archive, craft: str, first: str, second: str) -> SwapFile:
    """Gather the newest swap of the propellers of two rotors: on each the visit before and the visit after, and its sound past.

    Only steady recordings, with the propeller and bare, count. Raises UsageError for an unknown craft or rotor, or when both are one.
    """
    known = archive.craft(craft)
    known.check_swap(first, second)
    both = {first, second}
    swaps = [a for a in archive.actions(craft) if a.did == "swapped" and a.part == "propeller" and {a.position, a.fitted} == both]
    action = max(swaps, key=lambda a: a.done_at, default=None)

    def side(position: str) -> Swapped:
        kept = [k for k in archive.readings(craft, position) if k.reading.screening.usable]
        return _side(position, kept, done_to(archive.actions(craft), position), action)

    others = [side(position) for position in known.positions if position not in both]
    studies = (study(o.position, fittings, load_repeatability()) for o in others for fittings in (o.before, o.after))
    untouched = tuple(o for o in others if o.before and o.after)
    return SwapFile(action, side(first), side(second), untouched, tuple(s for s in studies if s.spreads))


@dataclass(frozen=True, slots=True)
class ToldSwap:
    """A swap that was noted, and what it says."""

    file: SwapFile
    result: SwapResult
    done_at: datetime


def swaps_of(archive: Archive, craft: str) -> tuple[ToldSwap, ...]:
    """The newest swap of each two propellers that was noted and can be judged, the suspect first: the rotor of which it says more."""
    known = archive.craft(craft)
    noted = {frozenset((a.position, a.fitted)) for a in archive.actions(craft) if a.did == "swapped" and a.part == "propeller"}
    found = []
    for pair in sorted(sorted(each) for each in noted if len(each) == 2 and each <= set(known.positions)):
        try:
            both = [swap_from_archive(archive, craft, *order) for order in (pair, pair[::-1])]
        except UsageError:  # noted of rotors that turn against each other
            continue
        judged = [ToldSwap(file, result, file.action.done_at) for file in both if file.action and (result := file.judge())]
        if judged:
            found.append(max(judged, key=lambda told: (told.result.answer not in OPEN, max(told.result.probabilities.values()))))
    return tuple(found)


def _side(position: str, kept: Sequence[KeptReading], actions: Sequence[PartAction], swap: PartAction | None) -> Swapped:
    """Sort the readings of one rotor about a swap; without one all are before it. Refitting between readings is part of the test."""
    done = [a for a in actions if a.part != "propeller" or a.did not in ("refitted", RESEATED)]
    visits = visits_of(kept, [*done, swap] if swap else done)
    before = [v for v in visits if swap is None or v.ended < swap.done_at]
    fresh = max((a.done_at for a in done if a.did in FRESH and before and a.done_at <= before[-1].began), default=None)
    own = [k for v in before[-1:] for k in v.kept]
    other = [k for v in visits[len(before) : len(before) + 1] for k in v.kept]
    past = [k for v in before[:-1] for k in v.kept if (fresh is None or k.when > fresh) and k.sound]
    return Swapped(
        position,
        before=_fittings(own, actions),
        after=_fittings(other, actions),
        bare=_bare([*own, *other]),
        past=_fittings(past, actions),
        past_bare=_bare(past),
    )


def _bare(kept: Sequence[KeptReading]) -> tuple[Reading, ...]:
    return tuple(k.comparable for k in kept if k.settings.test == "bare")


def _fittings(kept: Sequence[KeptReading], actions: Sequence[PartAction]) -> Fittings:
    found = fittings_of([k for k in kept if k.settings.test in ("prop", "bare", "hand-spin")], actions)
    return tuple(tuple(k.comparable for k in fitting) for fitting in found)
