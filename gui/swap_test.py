"""A swap test as far as it has come, and what it says in one sentence. No Qt."""

from dataclasses import dataclass

from vibekit.archive import Archive
from vibekit.craft import Craft
from vibekit.propeller_or_motor import swap_words
from vibekit.swap import SwapResult
from vibekit.swap_gathering import SwapFile, ToldSwap, swap_from_archive


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
        return swap_words(ToldSwap(self.file, self.result, self.file.action.done_at))


def swap_test(archive: Archive, craft: str, first: str, second: str) -> SwapTest:
    """Gather and judge. first: the suspect. Raises UsageError for rotors whose propellers cannot change places."""
    file = swap_from_archive(archive, craft, first, second)
    return SwapTest(file, file.judge())


def partners(craft: Craft, position: str) -> tuple[str, ...]:
    """Name the rotors that a propeller may change places with: those that turn the same way, as far as that is known."""
    hand = craft.rotor(position).hand
    return tuple(r.position for r in craft.rotors if r.position != position and (hand is None or r.hand in (None, hand)))
