"""Sound cards, built-in microphones and USB interfaces, through PortAudio."""

import atexit
import re
import subprocess
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from vibekit.capture.channels import assign_roles
from vibekit.capture.recorder import Push
from vibekit.capture.take import Form
from vibekit.errors import UnreadableError, UsageError
from vibekit.recording import Channel, Sensor

HANDS_FREE_HZ = 16_000.0  # a headset's microphone over Bluetooth runs at 8 or 16 kHz (Hands-Free Profile: CVSD, mSBC)
CLOSE_S = 3.0
PREFERRED = "Windows WASAPI"  # of several ways to one device
SERVED = ("default", "pulse", "pipewire")  # ALSA's names for what a sound server gives at any rate asked for, resampled
CUT_NAME = 31  # characters to which one of these ways cuts names
MISSING = (
    "recording needs PortAudio: sudo apt install libportaudio2 (Debian, Ubuntu), dnf install portaudio, or brew install portaudio, "
    "and pip install sounddevice; analysing files works without it"
)


@dataclass(frozen=True, slots=True)
class Device:
    """Something that can be recorded from. number: of this moment only; rate_hz: its default, the one at which it is used."""

    number: int
    name: str
    host: str
    channels: int
    rate_hz: float

    @property
    def label(self) -> str:
        """Name and host, which tell it again tomorrow."""
        return f"{self.name}, {self.host}"

    @property
    def row(self) -> str:
        """One line of a list."""
        many = "1 channel" if self.channels == 1 else f"{self.channels} channels"
        return f"{self.number}: {self.label} ({many}, {self.rate_hz:g} Hz)"


def devices(*, rescan: bool = False) -> tuple[list[Device], Device | None]:
    """Give what can be recorded from, and which of them is the default.

    rescan: look for what was plugged in since the start; not while a take runs, which it would break
    Raises UnreadableError when PortAudio is missing.
    """
    sound = _sounddevice()
    if rescan:
        sound._terminate()
        sound._initialize()
    hosts = [host["name"] for host in sound.query_hostapis()]
    inputs = [(number, each) for number, each in enumerate(sound.query_devices()) if each["max_input_channels"] > 0]
    served = _served_rate() if any(each["name"] in SERVED for _, each in inputs) else None
    found = [
        Device(
            number,
            each["name"],
            hosts[each["hostapi"]],
            each["max_input_channels"],
            served if served and each["name"] in SERVED else float(each["default_samplerate"]),
        )
        for number, each in inputs
    ]
    default = sound.default.device[0]
    return found, next((device for device in found if device.number == default), None)


def _served_rate() -> float | None:
    """Rate at which the sound server's own default source runs, so that it need not resample; None when it does not say."""
    try:
        name = _server("get-default-source").strip()
        rows = _server("list", "short", "sources").splitlines()
    except (OSError, subprocess.SubprocessError):
        return None
    told = next((row for row in rows if name in row.split("\t")), "")
    rate = re.search(r"(\d+)Hz", told)
    return float(rate[1]) if rate else None


def _server(*words: str) -> str:
    return subprocess.run(["pactl", *words], check=True, capture_output=True, text=True, timeout=2).stdout


def choose(wanted: str | None, found: Sequence[Device], default: Device | None) -> Device:
    """Give the device meant by a number or a part of its name and host; the default without either.

    Raises UsageError, with the list of those it may be, unless just one is meant.
    """
    if not found:
        raise UnreadableError("no microphone or interface is there; plug one in, and look into the system's sound settings")
    if wanted is None:
        if default is None:
            raise UsageError(f"no device is the default; choose one with --device: {_rows(found)}")
        return default
    if wanted.strip().isdecimal():
        meant = [device for device in found if device.number == int(wanted)]
    else:
        meant = [device for device in found if wanted.lower() in device.label.lower()]
        same = [device for device in meant if wanted.lower() in (device.name.lower(), device.label.lower())]
        meant = same or meant
    if len({device.name[:CUT_NAME] for device in meant}) == 1:
        meant = [device for device in meant if device.host == PREFERRED] or meant
    if len(meant) != 1:
        which = "no device" if not meant else f"{len(meant)} devices"
        raise UsageError(f"--device {wanted!r} means {which}; choose a number or more of the name: {_rows(meant or found)}")
    return meant[0]


def _rows(found: Sequence[Device]) -> str:
    return "; ".join(device.row for device in found)


class SoundCard:
    """A source for the recorder.

    roles: one a channel, such as ("vibration", "tacho") for left and right, "ignore" to leave one out; one vibration channel by default
    Raises UnreadableError when PortAudio is missing, UsageError when the device cannot do it.
    """

    def __init__(self, device: Device, *, roles: Sequence[str] | None = None, sensor: Sensor | None = None) -> None:
        if device.rate_hz <= HANDS_FREE_HZ:
            raise UsageError(
                f"{device.label} delivers {device.rate_hz:g} Hz, as a headset over Bluetooth does: a voice codec, no vibration. "
                "Choose a built-in or wired microphone with --device"
            )
        count = len(roles or ("vibration",))
        if count > device.channels:
            raise UsageError(f"{count} roles are given; {device.label} has {device.channels} channels")
        every = [Channel(name=str(i + 1)) for i in range(count)]
        kept = assign_roles(every, roles)
        self.device = device
        self.form = Form(device.rate_hz, tuple(channel for _, channel in kept), device.label, sensor)
        self._count = count
        self._columns = [i for i, _ in kept]
        self._stream: Any = None

    def start(self, push: Push) -> None:
        """Open the device and deliver. Raises UnreadableError."""
        sound = _sounddevice()

        def hear(block: Any, frames: int, moment: Any, flags: Any) -> None:
            push(block if whole else block[:, self._columns], why="an overflow" if flags.input_overflow else "")

        whole = len(self._columns) == self._count
        try:
            self._stream = sound.InputStream(
                samplerate=self.device.rate_hz,
                device=self.device.number,
                channels=self._count,
                dtype=np.float32,
                latency="high",
                clip_off=True,
                dither_off=True,
                callback=hear,
            )
            self._stream.start()
        except (sound.PortAudioError, ValueError) as error:
            raise UnreadableError(f"{self.device.label} does not open ({_said(error)}); close other programs that use it") from None

    def stop(self) -> None:
        """Close the device. One whose sound server has died may never close; it is then left as it is, also at the program's end."""
        stream, self._stream = self._stream, None
        if stream is None:
            return
        closing = threading.Thread(target=stream.close, kwargs={"ignore_errors": True}, name="vibekit closing", daemon=True)
        closing.start()
        closing.join(CLOSE_S)
        if closing.is_alive():
            atexit.unregister(_sounddevice()._exit_handler)  # it would wait for that stream again

    def trouble(self) -> str:
        """Say that the device is gone; PortAudio tells only by no longer being active."""
        stream = self._stream
        return "" if stream is None or stream.active else f"{self.device.label} stopped: unplugged, or taken by another program"


def _said(error: Exception) -> str:
    return str(error.args[0] if error.args else error).rstrip(". ")


def _sounddevice() -> Any:
    """The module. Raises UnreadableError when it or the library behind it is missing."""
    try:
        import sounddevice
    except (ImportError, OSError):
        raise UnreadableError(MISSING) from None
    return sounddevice
