"""What can be recorded from, and what its channels may hold. No Qt."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

from vibekit.capture.recorder import Source
from vibekit.recording import Sensor

Roles = tuple[str, ...]
MOST = 4  # channels that are offered of a device; a sound server claims up to 32


@dataclass(frozen=True, slots=True)
class Offer:
    """Something to record from. open: with the roles of its channels; channels: how many it has, 0 where it says itself what they hold."""

    words: str
    open: Callable[[Roles | None], Source]
    channels: int = 0


def sound_cards(sensor: Sensor | None = None) -> list[Offer]:
    """Give the sound cards, the default first. Raises UnreadableError when PortAudio is missing."""
    from vibekit.capture.sound_card import Device, SoundCard, devices

    def open_card(device: Device, roles: Roles | None) -> Source:
        return SoundCard(device, roles=roles, sensor=sensor)

    found, default = devices(rescan=True)
    found.sort(key=lambda device: device != default)
    return [
        Offer(
            f"{device.label} ({device.rate_hz:g} Hz){', the default' if device == default else ''}",
            partial(open_card, device),
            device.channels,
        )
        for device in found
    ]


def serial_sensors() -> list[Offer]:
    """Give what is plugged into serial ports. Raises UnreadableError when pyserial is missing."""
    from vibekit.capture.serial_sensor import SerialSensor, ports

    def open_port(address: str, _: Roles | None) -> Source:
        return SerialSensor(address)

    return [Offer(f"{address}: {what}", partial(open_port, address)) for address, what in ports()]


def roles_for(channels: int) -> list[tuple[str, Roles]]:
    """Name what the channels of a device may hold: (words, a role each)."""
    hear, count = "vibration", "tacho"
    if channels < 2:
        return [("one channel", (hear,))]
    offered: list[Sequence[str]] = [(hear,), (hear, count), (count, hear), (hear, hear)]
    for many in range(3, min(channels, MOST) + 1):
        offered += [(hear,) * (many - 1) + (count,), (hear,) * many]
    return [(_words(roles), tuple(roles)) for roles in offered]


def _words(roles: Sequence[str]) -> str:
    if len(roles) == 1:
        return "left vibration"
    if len(set(roles)) == 1:
        return f"{'both' if len(roles) == 2 else f'{len(roles)} channels'} {roles[0]}"
    if len(roles) == 2:
        return f"left {roles[0]}, right {roles[1]}"
    return f"1 to {len(roles) - 1} {roles[0]}, {len(roles)} {roles[-1]}"
