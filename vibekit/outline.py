"""Where a rotor sits, read from the owner's name for its arm; for the small outline that is the key to the strip of rotors."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

_DEGREES = {
    "front": 0, "fore": 0, "nose": 0, "north": 0, "right": 90, "starboard": 90, "east": 90,
    "back": 180, "rear": 180, "aft": 180, "tail": 180, "south": 180, "left": 270, "port": 270, "west": 270,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Spot:
    """Place of a rotor seen from above: x to the right, y down the page, both from -1 to 1, front or north at the top."""

    x: float
    y: float


def outline_of(positions: Sequence[str]) -> tuple[Spot, ...]:
    """Give a spot for each rotor, empty unless every name tells a direction of its own ("north-east", "rear left")."""
    spots = [_spot(position) for position in positions]
    found = [spot for spot in spots if spot is not None]
    apart = all(math.dist((a.x, a.y), (b.x, b.y)) > 0.3 for i, a in enumerate(found) for b in found[:i])
    return tuple(found) if len(found) == len(spots) > 1 and apart else ()


def _spot(position: str) -> Spot | None:
    """The mean direction of the words that name one; None when there is none, when they cancel, or when other words could matter."""
    words = re.findall(r"[^\W\d_]+", position.lower())
    if not words or any(word not in _DEGREES for word in words):
        return None
    angles = [math.radians(_DEGREES[word]) for word in words]
    x, y = sum(map(math.sin, angles)), -sum(map(math.cos, angles))
    length = math.hypot(x, y)
    return Spot(x / length, y / length) if length > 0.1 else None
