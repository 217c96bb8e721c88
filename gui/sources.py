"""What can be recorded from, as (words, how to open it). No Qt."""

from collections.abc import Callable
from functools import partial

from vibekit.capture.recorder import Source
from vibekit.recording import Sensor

Open = Callable[[], Source]


def sound_cards(sensor: Sensor | None = None, *, rescan: bool = False) -> list[tuple[str, Open]]:
    """Give the sound cards, the default first. Raises UnreadableError when PortAudio is missing."""
    from vibekit.capture.sound_card import SoundCard, devices

    found, default = devices(rescan=rescan)
    found.sort(key=lambda device: device != default)
    return [
        (f"{device.label} ({device.rate_hz:g} Hz){', the default' if device == default else ''}", partial(SoundCard, device, sensor=sensor))
        for device in found
    ]


def serial_sensors() -> list[tuple[str, Open]]:
    """Give what is plugged into serial ports. Raises UnreadableError when pyserial is missing."""
    from vibekit.capture.serial_sensor import SerialSensor, ports

    return [(f"{address}: {what}", partial(SerialSensor, address)) for address, what in ports()]
