"""A three-axis accelerometer on a small board, sent to vibekit over USB. For MicroPython 1.20 and newer on an RP2040 board.

Save it as main.py on the board. How to wire it stands in README.md beside this file. The sensor is one with the register map of the ADXL345
(data sheet, rev. G: registers, FIFO; 3 200 samples a second, 3.9 mg a count in full resolution, 16 g). Another sensor needs other registers
in `start` and `read`, and its own HEADER.
"""

import struct
import sys
import time

import machine
import micropython

HEADER = b"rate=3200 unit=g range=16 scale=0.0039 axes=x,y,z bits=16 name=Siskin"
BATCH = 16  # samples a frame
SYNC = b"\x56\xb1"
KIND_HEADER, KIND_SAMPLES = 1, 2
READ, MULTIPLE = 0x80, 0x40  # bits of a register's address

spi = machine.SPI(0, baudrate=5_000_000, polarity=1, phase=1, sck=machine.Pin(2), mosi=machine.Pin(3), miso=machine.Pin(4))
select = machine.Pin(5, machine.Pin.OUT, value=1)


def write(register, value):
    """Set a register."""
    select(0)
    spi.write(bytes((register, value)))
    select(1)


def read(register, into):
    """Fill a buffer with the registers from this one on."""
    select(0)
    spi.write(bytes((register | READ | MULTIPLE,)))
    spi.readinto(into)
    select(1)


def start():
    """Full resolution, 16 g, 3 200 samples a second, FIFO as a stream."""
    who = bytearray(1)
    read(0x00, who)
    if who[0] != 0xE5:
        raise OSError("no such sensor answers: check the wires")
    write(0x31, 0x0B)
    write(0x2C, 0x0F)
    write(0x38, 0x80)
    write(0x2D, 0x08)


@micropython.viper
def crc(data: ptr8, length: int, table: ptr16) -> int:  # noqa: F821
    """CRC-16 of the first bytes of a buffer."""
    check = 0
    for i in range(length):
        check = ((check << 8) & 0xFFFF) ^ table[(check >> 8) ^ data[i]]
    return check


def crc_table():
    """What each value of a byte does to the check."""
    table = bytearray(512)
    for k in range(256):
        check = k << 8
        for _ in range(8):
            check = ((check << 1) ^ 0x1021 if check & 0x8000 else check << 1) & 0xFFFF
        struct.pack_into("<H", table, 2 * k, check)
    return table


def frame(kind, number, data, table):
    """A frame of the binary protocol."""
    body = struct.pack("<BHI", kind, len(data), number & 0xFFFFFFFF) + data
    return SYNC + body + struct.pack("<H", crc(body, len(body), table))


def run():
    """Send frames, and the header once a second, for ever."""
    out = sys.stdout.buffer
    table = crc_table()
    batch = bytearray(6 * BATCH)
    sample = bytearray(6)
    status = bytearray(1)
    number = filled = 0
    said = time.ticks_add(time.ticks_ms(), -1000)
    start()
    while True:
        now = time.ticks_ms()
        if filled == 0 and time.ticks_diff(now, said) >= 1000:
            out.write(frame(KIND_HEADER, number, HEADER, table))
            said = now
        read(0x30, status)
        if status[0] & 1:  # the FIFO ran over: one sample or more are lost, and those of this frame do not join what follows
            number += filled + 1
            filled = 0
        read(0x39, status)
        for _ in range(status[0] & 0x3F):
            read(0x32, sample)
            batch[6 * filled : 6 * filled + 6] = sample
            filled += 1
            if filled == BATCH:
                out.write(frame(KIND_SAMPLES, number, batch, table))
                number += BATCH
                filled = 0


run()
