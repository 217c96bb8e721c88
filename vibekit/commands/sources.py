"""What to record from: a sound card or a serial sensor, chosen by options."""

import argparse
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from vibekit.capture.reader import Reader
from vibekit.commands.reader import add_reader_options, reader_from
from vibekit.errors import UsageError
from vibekit.recording import Sensor

if TYPE_CHECKING:
    from vibekit.capture.recorder import Source

ONLY_PORT = ("columns", "time_unit", "rate_hz")


@dataclass(frozen=True, slots=True)
class Chosen:
    """A source that is open or can be opened, what it is in words, and what must still be stated about its files when they are read."""

    source: "Source"
    words: str
    reader: Reader


def add_source_options(parser: argparse.ArgumentParser) -> None:
    """Add --device, --port, --baud, --devices and what describes a stream. --roles and --unit are with the settings."""
    about = parser.add_argument_group("what to record from", "the default microphone, when none of these is given")
    about.add_argument("--device", metavar="N|TEXT", help="a sound card: its number, or part of its name")
    about.add_argument("--port", metavar="PORT|TEXT", help="a serial sensor: its port, or part of what is plugged in there")
    about.add_argument("--baud", metavar="N", type=int, default=921_600, help="speed of the serial port (default: %(default)s)")
    about.add_argument("--devices", action="store_true", help="list what can be recorded from, and record nothing")
    add_reader_options(parser)


def choose_source(args: argparse.Namespace, sensor: Sensor | None) -> Chosen:
    """Give the source that the options mean; a serial sensor is listened to. Raises UsageError, UnreadableError."""
    reader = reader_from(args)
    if args.port is None:
        return _sound_card(args, reader, sensor)
    if args.device is not None:
        raise UsageError("--device and --port are both given; record from one of them")
    return _serial_sensor(args, reader)


def list_sources() -> list[str]:
    """Give a line for each thing that can be recorded from. Raises UnreadableError when neither kind can be looked for."""
    from vibekit.capture.serial_sensor import ports
    from vibekit.capture.sound_card import devices
    from vibekit.errors import UnreadableError

    lines, missing = [], []
    try:
        found, default = devices(rescan=True)
        lines += [f"--device {device.row}{'  (default)' * (device == default)}" for device in found] or ["no microphone or interface"]
    except UnreadableError as error:
        missing.append(str(error))
    try:
        lines += [f"--port {address}: {text}" for address, text in ports()] or ["no serial port"]
    except UnreadableError as error:
        missing.append(str(error))
    if not lines:
        raise UnreadableError("; ".join(missing))
    return lines + missing


def _sound_card(args: argparse.Namespace, reader: Reader, sensor: Sensor | None) -> Chosen:
    from vibekit.capture.sound_card import SoundCard, choose, devices

    for name in ONLY_PORT:
        if getattr(reader, name) is not None:
            raise UsageError(f"--{name.removesuffix('_hz').replace('_', '-')} describes a serial stream; name its --port, or leave it out")
    card = SoundCard(choose(args.device, *devices()), roles=reader.roles, sensor=sensor)
    words = f"{card.device.label}, at its default of {card.device.rate_hz:g} Hz"
    return Chosen(card, words, replace(reader, roles=None))


def _serial_sensor(args: argparse.Namespace, reader: Reader) -> Chosen:
    from vibekit.capture.sensor_columns import ColumnReader
    from vibekit.capture.serial_sensor import SerialSensor, choose_port, ports

    columns = None
    if reader.columns is not None:
        scale = 1.0 if reader.sensitivity is None else reader.sensitivity
        columns = ColumnReader(
            reader.columns,
            time_unit=reader.time_unit,
            rate_hz=reader.rate_hz,
            unit=reader.unit or "FS",  # type: ignore[arg-type]  # checked when made
            scale=scale,
        )
    elif given := [name for name in ("unit", "sensitivity", "time_unit", "rate_hz", "roles") if getattr(reader, name) is not None]:
        option = given[0].removesuffix("_hz").replace("_", "-")
        raise UsageError(f"--{option} is given, but the sensor says it itself; leave it out, or describe the stream with --columns")
    sensor = SerialSensor(choose_port(args.port, ports()), baud=args.baud, columns=columns)
    return Chosen(sensor, f"{sensor.form.source}, which states {sensor.form.rate_hz:g} Hz", Reader())
