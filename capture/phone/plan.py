"""What is said to the phone, and what it hands over. The words are made by whoever asks for a phone; the page only shows them."""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from vibekit.capture.phone.limits import MOST_TAKE_S, MOST_UPLOAD
from vibekit.errors import UsageError
from vibekit.recording import Sensor

LEAST_S, COUNTDOWN_S = 2.0, 3


@dataclass(frozen=True, slots=True)
class Plan:
    """What the phone is asked for.

    title: of the craft, "" when none is stated; positions: rotors to choose from, () when it is all the same
    task: how the motor is turned; how: how to record it; cautions: to be read first
    seconds: how long, None until it is stopped by hand; motion: whether the motion sensor is offered; extensions: of files that are taken
    countdown_s: between the tap and the first sample, for the hand to go
    """

    title: str
    positions: tuple[str, ...]
    task: str
    how: str
    cautions: tuple[str, ...]
    seconds: float | None
    motion: bool
    extensions: tuple[str, ...]
    countdown_s: int = COUNTDOWN_S

    def __post_init__(self) -> None:
        if self.seconds is not None and not LEAST_S <= self.seconds <= MOST_TAKE_S:
            raise UsageError(f"length is {self.seconds:g} s; it must lie between {LEAST_S:g} and {MOST_TAKE_S:g} s")

    def position(self, index: int) -> str | None:
        """The rotor of that index, None when there are none to choose from."""
        return self.positions[index] if self.positions else None

    def told(self) -> dict[str, Any]:
        """As it goes to the page."""
        return asdict(self) | {"most_bytes": MOST_UPLOAD}


@dataclass(frozen=True, slots=True)
class Delivery:
    """A recording from the phone, complete on this computer.

    path: a file that vibekit.capture.files reads; position: the rotor chosen, None when there is no choice
    sensor: what listened, None for a file that the phone brought; notes: what to know about it, one sentence each
    beginnings: what came of the same recording before the phone was away for too long; all of it is in this one
    """

    path: Path
    position: str | None
    sensor: Sensor | None
    notes: tuple[str, ...] = ()
    beginnings: tuple[Path, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """What the page shows of a recording.

    state: code of one of vibekit.marks.STATES, mark and words as it writes them; verdict, act: sentences; kept: what became of the file
    remarks: what screening found; caution: beside the act
    """

    state: str
    mark: str
    words: str
    verdict: str
    act: str
    caution: str
    remarks: tuple[str, ...]
    kept: str

    def told(self) -> dict[str, Any]:
        """As it goes to the page."""
        return asdict(self)


Judge = Callable[[Delivery], Answer]
Tell = Callable[[str], None]
