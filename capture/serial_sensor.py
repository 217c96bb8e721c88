"""Accelerometers on a serial port."""

import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Protocol

from vibekit.capture.recorder import Push
from vibekit.capture.sensor_columns import ColumnReader
from vibekit.capture.sensor_frames import FrameReader
from vibekit.capture.sensor_lines import LineReader
from vibekit.capture.sensor_stream import Piece, SensorHeader
from vibekit.errors import UnreadableError, UsageError

BAUD = 921_600
LEARN_S = 4.0  # a sensor repeats its header once a second
REST_S = 0.01  # between two looks: reading what has gathered costs a core far less than reading byte by byte
FULL = 2048  # bytes: a terminal's driver hands over 4 kB at once (Linux, N_TTY), and where so many came more wait behind
MISSING = "a serial sensor needs pyserial: pip install pyserial; analysing files works without it"


class WireReader(Protocol):
    """Turns bytes into pieces, as FrameReader, LineReader and ColumnReader do."""

    header: SensorHeader | None
    bad: int

    def feed(self, data: bytes) -> list[Piece]:
        """Read what has come."""


def ports() -> list[tuple[str, str]]:
    """Give (address, what is plugged in there) of each serial port. Raises UnreadableError when pyserial is missing."""
    _serial()
    from serial.tools import list_ports

    return sorted((port.device, port.description or port.device) for port in list_ports.comports())


def choose_port(wanted: str, found: Sequence[tuple[str, str]]) -> str:
    """Give the address meant: itself, or a part of what is plugged in. Raises UsageError, with the list, unless just one is meant."""
    if Path(wanted).exists() or any(wanted == address for address, _ in found):
        return wanted
    meant = [address for address, text in found if wanted.lower() in f"{address} {text}".lower()]
    if len(meant) != 1:
        shown = "; ".join(f"{address}: {text}" for address, text in found) or "none is plugged in"
        raise UsageError(f"--port {wanted!r} means {len(meant) or 'no'} port{'s' * (len(meant) > 1)}; choose one of: {shown}")
    return meant[0]


class SerialSensor:
    """A source for the recorder. Opening it listens until the sensor has said what it is.

    columns: reader of a stream described by its user; without one, the sensor speaks one of the kit's two protocols
    Raises UnreadableError when the port does not open or nothing that can be read comes.
    """

    def __init__(self, port: str, *, baud: int = BAUD, columns: ColumnReader | None = None) -> None:
        serial = _serial()
        self._name = port
        try:
            self._port: Any = serial.Serial(port, baud, timeout=0.05)
        except (OSError, ValueError) as error:  # SerialException is an OSError
            raise UnreadableError(
                f"{port} does not open ({_said(error)}); check the plug, and who may use it (on Linux, group dialout)"
            ) from None
        self._bad = ""
        self._behind = False
        self._going = threading.Event()
        self._thread: threading.Thread | None = None
        try:
            self._reader = self._listen([columns] if columns else [FrameReader(), LineReader()])
        except BaseException:
            self._port.close()
            raise
        assert self._reader.header is not None
        self.form = self._reader.header.form(port)
        self._name = self.form.source

    def _listen(self, readers: Sequence[WireReader]) -> WireReader:
        """Wait for one of the readers to know what the sensor delivers."""
        until = time.monotonic() + LEARN_S
        sample = b""
        while time.monotonic() < until:
            data = self._read()
            sample = (sample + data)[-200:]
            for reader in readers:
                reader.feed(data)
                if reader.header is not None:
                    return reader
        if not sample:
            raise UnreadableError(f"nothing comes from {self._name} in {LEARN_S:g} s; check the plug, the board's program and --baud")
        raise UnreadableError(
            f"{self._name} sends {sample[-40:]!r}, which tells no rate or axes; describe it by --columns such as t,x,y,z, or check --baud"
        )

    def _read(self) -> bytes:
        if not self._behind:
            time.sleep(REST_S)
        try:
            data: bytes = self._port.read(self._port.in_waiting or 1)
        except (OSError, TypeError):  # TypeError: pyserial, when another thread closed the port
            self._bad = f"{self._name} is gone: unplugged, or used by another program"
            raise UnreadableError(self._bad) from None
        self._behind = len(data) > FULL
        return data

    def start(self, push: Push) -> None:
        """Deliver from now on."""
        self._going.set()
        self._thread = threading.Thread(target=self._deliver, args=(push,), name="vibekit serial", daemon=True)
        self._thread.start()

    def _deliver(self, push: Push) -> None:
        bad = self._reader.bad
        while self._going.is_set() and not self._bad:
            try:
                pieces = self._reader.feed(self._read())
            except UnreadableError as error:
                self._bad = str(error)
                return
            for piece in pieces:
                why = piece.why
                if piece.lost and self._reader.bad > bad:
                    why, bad = f"{why}, damaged", self._reader.bad
                push(piece.samples, piece.lost, why)

    def stop(self) -> None:
        """Close the port."""
        self._going.clear()
        if self._thread is not None:
            self._thread.join()
        self._port.close()

    def trouble(self) -> str:
        """Say that the sensor is gone."""
        return self._bad


def _said(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error).rstrip(". ")


def _serial() -> Any:
    try:
        import serial
    except ImportError:
        raise UnreadableError(MISSING) from None
    return serial
