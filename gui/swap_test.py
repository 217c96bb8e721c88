"""A swap test as far as it has come, and what it says in one sentence. No Qt."""

from dataclasses import dataclass

from vibekit.archive import Archive
from vibekit.casefile import CaseFile
from vibekit.craft import Craft
from vibekit.errors import VibekitError
from vibekit.swap import ANSWERS, SwapResult
from vibekit.swap_gathering import SwapFile, swap_from_archive
from vibekit.wording import likelihood

UNSURE = ("refit", "cannot tell")


@dataclass(frozen=True, slots=True)
class SwapTest:
    """Two rotors whose propellers change places. result: None while measurements are missing."""

    file: SwapFile
    result: SwapResult | None

    @property
    def pair(self) -> tuple[str, str]:
        """The suspect, and the rotor that its propeller changes places with."""
        return self.file.first.position, self.file.second.position

    @property
    def words(self) -> str:
        """What it says, "" while measurements are missing."""
        if self.result is None or self.file.action is None:
            return ""
        first, second = self.pair
        answer = self.result.answer
        sure = "" if answer == "cannot tell" else f": {likelihood(self.result.probabilities[answer])}"
        return f"Swap test of {self.file.action.done_at.astimezone():%Y-%m-%d}, {first} with {second}: {ANSWERS[answer]}{sure}."


def swap_test(archive: Archive, craft: str, first: str, second: str) -> SwapTest:
    """Gather and judge. first: the suspect. Raises UsageError for rotors whose propellers cannot change places."""
    file = swap_from_archive(archive, craft, first, second)
    return SwapTest(file, file.judge())


def partners(craft: Craft, position: str) -> tuple[str, ...]:
    """Name the rotors that a propeller may change places with: those that turn the same way, as far as that is known."""
    hand = craft.rotor(position).hand
    return tuple(r.position for r in craft.rotors if r.position != position and (hand is None or r.hand in (None, hand)))


def told_swaps(archive: Archive, case: CaseFile) -> dict[str, SwapTest]:
    """Give for each rotor of a swap that was noted the judged test that says most: either of the two may be the one that is hurt."""
    name = case.craft.name or ""
    noted = {
        frozenset((motor.position, action.fitted))
        for motor in case.motors
        for action in motor.actions
        if action.did == "swapped" and action.part == "propeller"
    }
    found: dict[str, SwapTest] = {}
    for pair in noted:
        try:
            both = [swap_test(archive, name, first, second) for first, second in (sorted(pair), sorted(pair, reverse=True))]
        except (VibekitError, ValueError):  # noted by hand in words of another meaning
            continue
        judged = [(_weight(test.result), test) for test in both if test.result]
        if judged:
            found |= dict.fromkeys(pair, max(judged, key=lambda row: row[0])[1])
    return found


def _weight(result: SwapResult) -> tuple[bool, float]:
    return result.answer not in UNSURE, result.probabilities.get(result.answer, 0.0)
