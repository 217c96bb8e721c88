"""Serial accelerometers through pairs of pseudo-terminals: nothing lost, what the wire loses counted, and found again after rubbish."""

import contextlib
import io
import os
import re
import struct
import sys
import time
import types
from binascii import crc_hqx
from itertools import count
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.boards import board, counts, header_frame, header_line, line, sample_line, samples_frame
from vibekit.capture import serial_sensor
from vibekit.capture.files import read_recording
from vibekit.capture.recorder import Recorder
from vibekit.capture.sensor_columns import ColumnReader
from vibekit.capture.sensor_frames import FrameReader
from vibekit.capture.sensor_lines import LineReader
from vibekit.capture.sensor_stream import LOST, RESTARTED, SensorHeader
from vibekit.capture.serial_sensor import SerialSensor, choose_port
from vibekit.errors import UnreadableError, UsageError

FIRMWARE = Path(__file__).resolve().parent.parent / "capture" / "firmware"
SECONDS = float(os.environ.get("VIBEKIT_PLAY_S", "2"))
SCALE = np.float32(0.000488)


def frames(rate: float, each: int = 400, seconds: float = 1e9, skip: range = range(0)):
    """Header once a second and frames of 16, sent `each` samples at a time."""
    for first in range(0, int(seconds * rate), each):
        head = header_frame(rate, first) if first % int(rate) < each else b""
        body = b"".join(samples_frame(k) for k in range(first, first + each, 16) if k not in skip)
        yield (first + each) / rate, head + body


def lines(rate: float, each: int = 50, skip: range = range(0)):
    for first in count(0, each):
        head = header_line(rate) if first % int(rate) < each else b""
        yield (first + each) / rate, head + b"".join(sample_line(k) for k in range(first, first + each) if k not in skip)


def recorded(sensor: SerialSensor, folder: Path, length_s: float):
    recorder = Recorder(sensor, folder, length_s=length_s)
    recorder.start()
    recorder.done.wait(length_s + 20)
    return recorder.finish()


def as_counts(recording) -> np.ndarray:
    return np.round(recording.samples.T / SCALE).astype(int)


def first_of(found: np.ndarray) -> int:
    """Number of the first sample; all that follow must follow."""
    possible = (k for k in range(int(found[0, 0]) + 30_000, 60_000_000, 60_000) if np.array_equal(counts(k, 1)[0], found[0]))
    first = next(possible)
    assert np.array_equal(found, counts(first, len(found)))
    return first


@pytest.mark.parametrize(("rate", "messages"), [(26_667.0, frames(26_667.0, each=528)), (1000.0, lines(1000.0))], ids=["frames", "lines"])
def test_nothing_is_lost_on_the_way(tmp_path, rate, messages):
    """26.7 kHz of three axes in frames, 1 kHz in lines; sample for sample, and little of a core."""
    with board(messages) as wire:
        sensor = SerialSensor(wire.port)
        began = time.process_time() - wire.used_s
        recorder = Recorder(sensor, tmp_path, length_s=SECONDS)
        recorder.start()
        assert recorder.done.wait(SECONDS + 20)
        dropped = wire.dropped  # until now: nobody listens while the sound file is made
        take = recorder.finish()
        used = time.process_time() - wire.used_s - began
    if dropped:  # less than a second of frames waits on the board and in the wire
        pytest.skip(f"this computer was too busy for most of a second: the simulated board itself ran over by {dropped} bytes")
    assert take.account.gaps == ()
    assert take.account.form.source == f"Siskin at {wire.port}"
    assert take.account.frames == round(SECONDS * rate)
    recording = read_recording(take.path)
    first_of(as_counts(recording))
    assert [(channel.name, channel.unit) for channel in recording.channels] == [("x", "g"), ("y", "g"), ("z", "g")]
    assert recording.source.full_scale == pytest.approx(32767 * 0.000488)
    assert used < 0.1 * SECONDS + 0.5, "a tenth of a core, and half a second for the start and the sound file"
    assert sensor._reader.bad == 0


def test_what_has_gathered_is_read_without_rest(monkeypatch):
    """A second of 26 kHz behind a driver that hands over 4095 bytes at once, as Linux does: read before as much again has come."""
    waiting = bytearray(header_frame(26_000) + b"".join(samples_frame(k) for k in range(0, 26_000, 16)))
    slept, got = [], []

    class Port:
        in_waiting = property(lambda self: min(len(waiting), 4095))

        def __init__(self, *given, **named) -> None: ...

        def read(self, n: int) -> bytes:
            data = bytes(waiting[:n])
            del waiting[:n]
            return data

    monkeypatch.setattr(serial_sensor, "_serial", lambda: types.SimpleNamespace(Serial=Port))
    monkeypatch.setattr(serial_sensor.time, "sleep", slept.append)
    sensor = SerialSensor("port")
    while waiting:
        got += sensor._reader.feed(sensor._read())
    assert sum(slept) < 0.1
    assert sum(len(piece.samples) for piece in got) > 26_000 - 4095 // 6


@pytest.mark.parametrize("kind", ["frames", "lines"])
def test_what_the_wire_loses_is_counted_and_placed(tmp_path, kind):
    rate, missing = (4000.0, range(6400, 6480)) if kind == "frames" else (1000.0, range(1500, 1507))
    messages = frames(rate, skip=missing) if kind == "frames" else lines(rate, skip=missing)
    with board(messages) as wire:
        take = recorded(SerialSensor(wire.port), tmp_path, 2.5)
    (gap,) = take.account.gaps
    assert (gap.missing, gap.filled, gap.why) == (len(missing), len(missing), LOST)
    found = as_counts(read_recording(take.path))
    assert first_of(found[: gap.frame]) + gap.frame == missing.start
    assert first_of(found[gap.frame + gap.filled :]) == missing.stop


def test_it_is_found_again_after_rubbish_and_damage():
    """A frame damaged, noise between, and a frame cut short: what was whole comes through; what was not is counted."""
    rng = np.random.default_rng(7)
    damaged = bytearray(samples_frame(32))
    damaged[20] ^= 4
    noise, short = rng.bytes(300), samples_frame(64)[:40]
    sent = [header_frame(4000), samples_frame(0), samples_frame(16), bytes(damaged), noise, samples_frame(48), short]
    sent += [samples_frame(k) for k in range(80, 400, 16)]
    reader = FrameReader()
    stream = b"".join(sent)
    pieces = [piece for at in range(0, len(stream), 7) for piece in reader.feed(stream[at : at + 7])]
    assert sum(len(piece.samples) for piece in pieces) == 400 - 32
    assert sum(piece.lost for piece in pieces) == 32
    assert reader.bad >= 2
    got = np.concatenate([np.round(piece.samples / SCALE).astype(int) for piece in pieces])
    assert np.array_equal(got, np.concatenate([counts(0, 32), counts(48, 16), counts(80, 320)]))


def test_a_damaged_line_is_passed_over_and_counted():
    text = b"".join([header_line(1000), *(sample_line(k) for k in range(20))]).replace(
        sample_line(7), sample_line(7).replace(b"D 7 ", b"D 7 1")
    )
    reader = LineReader()
    pieces = [piece for at in range(0, len(text), 11) for piece in reader.feed(text[at : at + 11])]
    assert (sum(len(piece.samples) for piece in pieces), sum(piece.lost for piece in pieces), reader.bad) == (19, 1, 1)


def test_numbers_go_round_at_their_end():
    reader = FrameReader()
    reader.feed(header_frame(4000))
    pieces = reader.feed(samples_frame(2**32 - 16) + samples_frame(2**32))
    assert [(len(piece.samples), piece.lost) for piece in pieces] == [(32, 0)]


def test_a_board_that_starts_anew_is_told_apart_from_a_loss():
    reader = FrameReader()
    reader.feed(header_frame(4000))
    pieces = reader.feed(samples_frame(100_000) + samples_frame(0))
    assert [(piece.lost, piece.why) for piece in pieces] == [(0, ""), (0, RESTARTED)]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=400) | st.just(header_frame(4000)) | st.integers(0, 60).map(samples_frame), max_size=12), st.booleans())
def test_no_bytes_whatever_raise_a_traceback(chunks, text):
    reader = LineReader() if text else FrameReader()
    with contextlib.suppress(UnreadableError):
        for chunk in chunks:
            reader.feed(chunk)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("unit=g axes=x", "rate"),
        ("rate=0 unit=g axes=x", "rate is 0"),
        ("rate=1000 unit=furlong axes=x", "unit is 'furlong'"),
        ("rate=1000 unit=g axes=x bits=12", "bits is 12"),
        ("rate=abc unit=g axes=x", "could not convert"),
        ("rate=1000 unit=g axes=x range=-2", "range is -2"),
    ],
)
def test_a_header_that_cannot_be_is_refused_in_one_line(said, words):
    with pytest.raises(UnreadableError, match=re.escape(words)):
        SensorHeader.of(said)


def test_any_text_stream_can_be_described(tmp_path):
    """Micro-seconds, three axes and a column to pass over, at 500 Hz; two rows lack."""

    def rows():
        for k in count():
            if k not in (700, 701):
                x, y, z = counts(k, 1)[0]
                yield k / 500, b"%d;%d;%d;%d;23.5\r\n" % (1_000_000 + 2000 * k, x, y, z)

    with board(rows()) as wire:
        reader = ColumnReader(["t", "x", "y", "z", "-"], time_unit="us", unit="g", scale=0.000488)
        take = recorded(SerialSensor(wire.port, columns=reader), tmp_path, 2.0)
    (gap,) = take.account.gaps
    assert (gap.missing, gap.filled) == (2, 2)
    found = as_counts(read_recording(take.path))
    assert first_of(found[: gap.frame]) + gap.frame == 700
    assert first_of(found[gap.frame + 2 :]) == 702
    assert take.account.form.rate_hz == pytest.approx(500, rel=1e-9)
    assert take.account.form.full_scale is None


def test_a_row_that_was_merely_written_late_is_no_gap():
    reader = ColumnReader(["t", "x"], time_unit="ms", rate_hz=1000.0)
    text = "".join(f"{t},{k}\n" for k, t in enumerate([0, 1, 2, 3, 5, 5, 6, 7, 10, 11]))
    pieces = reader.feed(b"0,0\n" + text.encode())
    assert [(len(piece.samples), piece.lost) for piece in pieces] == [(8, 0), (2, 2)]


def test_without_time_an_unreadable_line_is_a_sample_lost():
    reader = ColumnReader(["x", "y"], rate_hz=1000.0)
    (piece,) = reader.feed(b"half a li\n1 2\n3 4\n5 abc\n7 8\n")
    assert (len(piece.samples), piece.lost, reader.bad) == (3, 1, 1)


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ({"columns": ["t", "-"]}, "names no axis"),
        ({"columns": ["x", "y"]}, "give the samples a second with --rate"),
        ({"columns": ["t", "x"]}, "--time-unit"),
        ({"columns": ["x"], "rate_hz": -1.0}, "rate is -1"),
    ],
)
def test_descriptions_that_do_not_fit_are_refused(given_, words):
    with pytest.raises(UsageError, match=re.escape(words)):
        ColumnReader(**given_)


def test_a_port_that_says_nothing_or_cannot_be_understood_is_named(monkeypatch):
    monkeypatch.setattr(serial_sensor, "LEARN_S", 0.5)
    with board(iter([])) as wire, pytest.raises(UnreadableError, match="nothing comes from"):
        SerialSensor(wire.port)
    with board((k / 100, b"12,34,56\n") for k in range(1000)) as wire, pytest.raises(UnreadableError, match="describe it by --columns"):
        SerialSensor(wire.port)
    with pytest.raises(UnreadableError, match="does not open"):
        SerialSensor("/dev/no-such-port")


def test_an_unplugged_sensor_ends_the_take_and_keeps_it(tmp_path):
    with board(frames(4000.0)) as wire:
        recorder = Recorder(SerialSensor(wire.port), tmp_path)
        recorder.start()
        time.sleep(1.0)
        wire.unplug()
        assert recorder.done.wait(10)
    assert recorder.ended == f"Siskin at {wire.port} is gone: unplugged, or used by another program"
    take = recorder.finish()
    assert take.account.ended == recorder.ended
    first_of(as_counts(read_recording(take.path)))


def test_ports_are_chosen_by_address_or_by_what_is_plugged_in():
    found = [("/dev/ttyACM0", "Siskin board"), ("/dev/ttyACM1", "Redpoll board"), ("/dev/ttyS0", "n/a")]
    assert choose_port("siskin", found) == "/dev/ttyACM0"
    assert choose_port("/dev/ttyS0", found) == "/dev/ttyS0"
    with pytest.raises(UsageError, match="means 2 ports; choose one of: /dev/ttyACM0: Siskin board"):
        choose_port("board", found)
    with pytest.raises(UsageError, match="none is plugged in"):
        choose_port("siskin", [])


def test_the_check_is_the_published_one():
    """CRC-16/XMODEM: its check value over "123456789" is 0x31C3 (catalogue of parametrised CRC algorithms, from memory)."""
    assert crc_hqx(b"123456789", 0) == 0x31C3


def test_the_lines_in_the_documents_are_right():
    documents = (FIRMWARE / "README.md").read_text() + Path(sys.modules[LineReader.__module__].__file__).read_text()
    shown = re.findall(r"^ +([HD] .*) ~[0-9a-f]{4}$", documents, re.MULTILINE)
    assert len(shown) == 4
    assert all(line(said).decode().strip() in documents for said in shown)


class FakeSensor:
    """The registers that the sketch uses, of a sensor that measures counts(k), three at most between two looks."""

    def __init__(self, samples: int, overrun_at: int) -> None:
        self.left, self.number, self.asked, self.overrun_at = samples, 0, 0, overrun_at
        self.registers: dict[int, int] = {}

    def write(self, data: bytes) -> None:
        if len(data) == 2:
            self.registers[data[0]] = data[1]
        self.address = data[0] & 0x3F

    def readinto(self, into: bytearray) -> None:
        match self.address:
            case 0x00:
                into[0] = 0xE5
            case 0x30:
                self.asked += 1
                into[0] = 0x83 if self.asked == self.overrun_at else 0x82
                self.number += 5 * (self.asked == self.overrun_at)  # five were overwritten
            case 0x39:
                if not self.left:
                    raise KeyboardInterrupt
                into[0] = min(self.left, 3)
            case 0x32:
                into[:] = counts(self.number, 1).tobytes()
                self.number += 1
                self.left -= 1


def test_the_sketch_sends_what_the_kit_reads(monkeypatch):
    """The program of the board, run here on a sensor of its registers: header, frames, and an overrun that shows as a loss."""
    sensor = FakeSensor(samples=400, overrun_at=60)
    pins = types.SimpleNamespace(OUT=1)
    machine = types.SimpleNamespace(
        SPI=lambda *a, **k: sensor, Pin=type("Pin", (), {"OUT": 1, "__init__": lambda *a, **k: None, "__call__": lambda *a: pins})
    )
    micropython = types.SimpleNamespace(viper=lambda function: lambda data, n, table: function(data, n, struct.unpack("<256H", table)))
    ticks = count(0, 7)
    clock = types.SimpleNamespace(ticks_ms=lambda: next(ticks), ticks_add=lambda a, b: a + b, ticks_diff=lambda a, b: a - b)
    sent = io.BytesIO()
    for name, module in (
        ("machine", machine),
        ("micropython", micropython),
        ("time", clock),
        ("sys", types.SimpleNamespace(stdout=types.SimpleNamespace(buffer=sent))),
    ):
        monkeypatch.setitem(sys.modules, name, module)
    code = compile((FIRMWARE / "accelerometer.py").read_text(), "accelerometer.py", "exec")
    with pytest.raises(KeyboardInterrupt):
        exec(code, {"ptr8": None, "ptr16": None})
    monkeypatch.undo()
    assert sensor.registers == {0x31: 0x0B, 0x2C: 0x0F, 0x38: 0x80, 0x2D: 0x08}
    reader = FrameReader()
    pieces = reader.feed(sent.getvalue())
    assert reader.bad == 0
    assert reader.header.rate_hz == 3200
    assert len(pieces) == 2
    before, after = (np.round(piece.samples / np.float32(0.0039)).astype(int) for piece in pieces)
    assert first_of(before) == 0
    started = first_of(after)
    assert pieces[1].lost == started - len(before) - 4, "five were overwritten; that it was at least one is all that the sensor tells"
