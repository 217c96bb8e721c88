"""The sound file of a take, with its account inside: a FLAC comment, or a chunk of its own in a WAV, which other programs pass over."""

import json
import os
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO

import numpy as np
import numpy.typing as npt

from vibekit.capture.journal import force
from vibekit.capture.take import SCHEMA, Account
from vibekit.filestore import settle_folder
from vibekit.packing import pack, unpack

CHUNK = b"vkit"
WIDE = 0xFFFFFFFF  # stands for a size that is told elsewhere
RIFF_MOST = 3_900_000_000  # bytes of samples; beyond, RF64 (EBU Tech 3306), since the sizes of a WAV are 32 bits wide
FLAC_CHANNELS, FLAC_RATE = 8, 655_350  # RFC 9639, sections 3 and 9.1.2
FLAC_COMMENT = 1 << 23  # bytes; a block of metadata has 24 bits for its size (RFC 9639 section 8.1)
Samples = npt.NDArray[np.float32]


def write_take(base: Path, account: Account, bits: int, blocks: Callable[[], Iterator[Samples]]) -> Path:
    """Write a sound file and its account beside it; give its path, `base` with .flac or .wav.

    bits: 16 or 24 when integers hold every sample exactly, else 0; blocks: gives (n, channels) in order
    It has its name only once it is whole and on disk. Raises OSError.
    """
    form = account.form
    told = json.dumps(pack(account), ensure_ascii=False)
    flac = bits and len(form.channels) <= FLAC_CHANNELS and form.rate_hz <= FLAC_RATE and len(told) < FLAC_COMMENT
    goal = base.with_name(f"{base.name}.{'flac' if flac else 'wav'}")
    part = goal.with_name(f"{goal.name}.part")
    try:
        if flac:
            _write_flac(part, account, told, bits, blocks())
        else:
            _write_wav(part, account, told, blocks())
        _settled(part, goal)
    finally:
        part.unlink(missing_ok=True)
    part.write_text(json.dumps(pack(account), indent=1, ensure_ascii=False), encoding="utf-8")
    _settled(part, goal.with_suffix(".json"))
    settle_folder(goal.parent)
    return goal


def read_account(path: Path) -> Account | None:
    """Give the account inside a sound file; None when it has none. Raises UnreadableError when a newer vibekit wrote it, OSError."""
    with path.open("rb") as file:
        match file.read(4):
            case b"fLaC":
                told = _flac_comment(path)
            case b"RIFF" | b"RF64":
                told = _own_chunk(file)
            case _:
                return None
    try:
        data = json.loads(told)
    except ValueError:
        return None
    return unpack(Account, data) if isinstance(data, dict) and data.get("schema") == SCHEMA else None


def depth(samples: Samples, least: int = 16) -> int:
    """Bits of the integers that hold these samples exactly: 16 or 24, `least` or more; 0 when none do."""
    return next((bits for bits in (16, 24) if bits >= least and _exact(samples, bits)), 0)


def _exact(samples: Samples, bits: int) -> bool:
    scaled = samples * np.float32(2 ** (bits - 1))
    return bool(np.all(scaled == np.rint(scaled)) and np.all(np.abs(scaled) <= 2 ** (bits - 1) - 1))


def _write_flac(path: Path, account: Account, told: str, bits: int, blocks: Iterator[Samples]) -> None:
    import soundfile

    form = account.form
    try:
        with soundfile.SoundFile(path, "w", round(form.rate_hz), len(form.channels), f"PCM_{bits}", format="FLAC") as file:
            file.comment = told
            for samples in blocks:
                file.write(np.rint(samples * np.float32(2 ** (bits - 1))).astype(np.int32) << (32 - bits))
    except (soundfile.SoundFileError, AssertionError) as error:
        raise OSError(f"the FLAC file cannot be written: {error}") from None


def _write_wav(path: Path, account: Account, told: str, blocks: Iterator[Samples]) -> None:
    """A WAV of 32-bit floats; RF64 where the sizes of a WAV are too small for it."""
    channels, rate = len(account.form.channels), round(account.form.rate_hz)
    size = 4 * channels * account.frames
    own = told.encode()
    own += b" " * (len(own) % 2)
    chunks = _chunk(b"fmt ", struct.pack("<HHIIHHH", 3, channels, rate, 4 * channels * rate, 4 * channels, 32, 0))
    chunks += _chunk(b"fact", struct.pack("<I", min(account.frames, WIDE))) + _chunk(CHUNK, own)
    whole = 4 + len(chunks) + 8 + size
    if size > RIFF_MOST:
        ds64 = _chunk(b"ds64", struct.pack("<QQQI", whole + 36, size, account.frames, 0))
        head = b"RF64" + struct.pack("<I", WIDE) + b"WAVE" + ds64 + chunks + b"data" + struct.pack("<I", WIDE)
    else:
        head = b"RIFF" + struct.pack("<I", whole) + b"WAVE" + chunks + b"data" + struct.pack("<I", size)
    with path.open("wb") as file:
        file.write(head)
        for samples in blocks:
            file.write(np.ascontiguousarray(samples, "<f4").tobytes())


def _chunk(name: bytes, data: bytes) -> bytes:
    return name + struct.pack("<I", len(data)) + data


def _flac_comment(path: Path) -> str:
    import soundfile

    try:
        with soundfile.SoundFile(path) as file:
            return str(file.comment)
    except soundfile.SoundFileError:
        return ""


def _own_chunk(file: IO[bytes]) -> str:
    """Text of our chunk, which stands before the samples; "" without one. The file stands after its first four bytes."""
    file.seek(12)
    while len(head := file.read(8)) == 8 and head[:4] != b"data":
        size = struct.unpack("<I", head[4:])[0]
        if head[:4] == CHUNK:
            return file.read(size).decode(errors="replace")
        file.seek(size + size % 2, os.SEEK_CUR)
    return ""


def _settled(part: Path, goal: Path) -> None:
    with part.open("rb+") as file:
        force(file.fileno())
    part.replace(goal)
