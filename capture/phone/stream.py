"""What the page says before it sends a stream: its rate, and what the browser did to the sound, read back from it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, TypeGuard

from vibekit.errors import UnreadableError

Kind = Literal["sound", "motion"]
SLOWEST_HZ, FASTEST_HZ = 8000.0, 384_000.0
MOTION_HZ = 60.0  # at most: what browsers allow (W3C Device Orientation and Motion, 2025: security considerations)
EFFECTS = {"echoCancellation": "echo cancellation", "noiseSuppression": "noise suppression", "autoGainControl": "gain control"}
WAYS = {"track": "the microphone's own track", "worklet": "an audio worklet"}


@dataclass(frozen=True, slots=True)
class Stream:
    """One stream as announced.

    rate_hz: samples a second; processed: as in `vibekit.recording.Source`; way: how the browser handed sound over; position: which of the
    offered rotors
    """

    kind: Kind
    rate_hz: float
    processed: tuple[str, ...]
    way: str
    position: int


def read_stream(said: Mapping[str, Any], positions: int) -> Stream:
    """Take an announcement apart. Raises UnreadableError for what cannot be."""
    position, kind = said.get("position"), said.get("kind")
    if isinstance(position, bool) or not isinstance(position, int) or not 0 <= position < positions:
        raise UnreadableError("no such position")
    if kind == "motion":
        return Stream("motion", MOTION_HZ, (), "its motion sensor", position)
    rate, way, settings = said.get("rate"), said.get("way"), said.get("settings")
    if kind != "sound" or way not in WAYS or not isinstance(settings, dict):
        raise UnreadableError("a stream of another kind")
    if not _possible(rate):
        raise UnreadableError(f"the phone's rate must lie between {SLOWEST_HZ:g} and {FASTEST_HZ:g} Hz")
    return Stream("sound", float(rate), _processed(settings, float(rate)), WAYS[way], position)


def _possible(rate: Any) -> TypeGuard[float]:
    return isinstance(rate, int | float) and not isinstance(rate, bool) and SLOWEST_HZ <= rate <= FASTEST_HZ


def _processed(settings: Mapping[str, Any], rate_hz: float) -> tuple[str, ...]:
    """What was done to the sound. An effect that is not read back as off counts as on, since browsers choose where they are not told."""
    found = []
    for name, words in EFFECTS.items():
        if settings.get(name) is not False:
            found.append(words if settings.get(name) else f"{words} not known to be off")
    own = settings.get("sampleRate")
    if own is not None and not _possible(own):
        raise UnreadableError("the microphone's rate cannot be")
    if own is not None and not math.isclose(own, rate_hz):
        found.append(f"resampled from {own:g} to {rate_hz:g} Hz")
    return tuple(found)
