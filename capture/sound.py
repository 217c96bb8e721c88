"""Sound files: wav, flac, ogg and their like through libsndfile; m4a, mp4, mp3 and what else phones write through FFmpeg."""

import os
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from vibekit.errors import UnreadableError

Samples = npt.NDArray[np.float32]

SOUND = (".wav", ".wave", ".w64", ".rf64", ".flac", ".ogg", ".oga", ".opus", ".aif", ".aiff", ".aifc", ".au", ".caf")
_MP4 = "mov,mp4,m4a,3gp,3g2,mj2"
CONTAINERS = {  # FFmpeg's formats each may hold: naming them keeps a file from being taken as a playlist of other files
    ".m4a": (_MP4,), ".mp4": (_MP4,), ".mov": (_MP4,), ".3gp": (_MP4,), ".3g2": (_MP4,), ".m4b": (_MP4,), ".qt": (_MP4,),
    ".mp3": ("mp3",), ".aac": ("aac", _MP4), ".amr": ("amr",),
    ".webm": ("matroska,webm",), ".weba": ("matroska,webm",), ".mka": ("matroska,webm",), ".mkv": ("matroska,webm",),
}  # fmt: skip
BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "ALAC_16": 16, "ALAC_20": 20, "ALAC_24": 24, "ALAC_32": 32}
COMPANDED = {"ULAW": 32124 / 32768, "ALAW": 32256 / 32768}  # largest decoded value of ITU-T G.711, 16 bit
LOSSY = {"VORBIS": "vorbis", "OPUS": "opus", "MPEG_LAYER_I": "mp1", "MPEG_LAYER_II": "mp2", "MPEG_LAYER_III": "mp3", "GSM610": "gsm"}
BEGINS = {
    b"RIFF": ".wav",
    b"fLaC": ".flac",
    b"OggS": ".ogg",
    b"ID3": ".mp3",
    b"\x1aE\xdf\xa3": ".webm",
    b"#!AMR": ".amr",
}  # and its true name
IN_MEMORY = 1 << 27  # bytes: twelve minutes of one channel at 48 kHz
BLOCK = 1 << 16  # frames read at once
MOST = 1 << 30  # samples of all channels: 4 GB, 6 hours of one channel at 48 kHz
FASTEST_HZ = 10_000_000
TRUSTED = 64  # samples a byte of a file may promise before its promise is not believed


@dataclass(frozen=True, slots=True)
class Sound:
    """A sound file as read.

    samples: (channels, n) float32, full scale 1; encoding, lossy, full_scale: as in `Source`; log: what to know about it
    """

    samples: Samples
    rate_hz: float
    encoding: str
    lossy: str
    full_scale: float | None
    log: tuple[str, ...] = ()


def read_sound(path: Path) -> Sound:
    """Read a sound file at the rate it states. Raises UnreadableError when it is none, is damaged or holds no samples."""
    return _read_container(path) if path.suffix.lower() in CONTAINERS else _read_soundfile(path)


def _read_soundfile(path: Path) -> Sound:
    import soundfile

    def blocks(file: Any) -> Iterator[Samples]:
        while len(block := file.read(BLOCK, dtype="float32", always_2d=True)):
            yield block.T

    try:
        with soundfile.SoundFile(path) as file:
            subtype: str = file.subtype
            rate = _checked_rate(file.samplerate)
            samples = _collect(blocks(file), file.frames, path)
    except soundfile.SoundFileError as error:
        raise _no_sound(path, error) from None
    lossy = LOSSY.get(subtype, "adpcm" if "ADPCM" in subtype or subtype.startswith(("G721", "G723")) else "")
    return Sound(samples, rate, subtype, lossy, 1 - 2.0 ** (1 - BITS[subtype]) if subtype in BITS else COMPANDED.get(subtype))


def _read_container(path: Path) -> Sound:
    import av

    try:
        with _open(path) as box:
            if not box.streams.audio:
                raise UnreadableError("it holds no sound")
            stream = box.streams.audio[0]
            if stream.codec_context is None:
                raise UnreadableError("its sound is coded in a way that cannot be read; export it again as wav or flac")
            codec = stream.codec_context.codec
            raw = box.format.name == "aac"
            known = box.format.name == _MP4 and stream.duration and stream.time_base and stream.rate  # elsewhere it is a guess
            length = round(stream.duration * stream.time_base * stream.rate) if known else 0
            heard: dict[str, Any] = {}  # format and rate of the decoded frames, which may differ from what the file says above them
            samples = _collect(_frames(box, stream, heard), length + BLOCK, path)
            log = [f"it holds {len(box.streams.audio)} sound tracks; the first is read"] if len(box.streams.audio) > 1 else []
    except av.FFmpegError as error:
        raise _no_sound(path, error) from None
    if 0 < length < samples.shape[1]:
        log.append(f"{samples.shape[1] - length} samples with which the codec filled its last frame left out")
        samples = samples[:, :length]
    elif length > samples.shape[1] + heard["rate"] / 10:
        log.append(f"the file states {length / heard['rate']:.4g} s but holds {samples.shape[1] / heard['rate']:.4g} s")
    if raw:
        log.append("a raw aac stream does not say where the sound begins: the first 1024 samples or so are the codec's")
    form = heard["format"]
    full_scale = 1 - 2.0 ** (1 - min(form.bits, 24)) if codec.lossless and form.name[:3] not in ("flt", "dbl") else None
    lossy = "" if codec.lossless or codec.name.startswith("pcm_") else str(codec.canonical_name)
    return Sound(samples, heard["rate"], str(codec.canonical_name), lossy, full_scale, tuple(log))


def _open(path: Path) -> Any:
    """The container, opened as one of the formats its name allows, from nowhere but this file."""
    import av

    *others, last = CONTAINERS[path.suffix.lower()]
    where = f"file:{path.absolute()}"
    options = {"protocol_whitelist": "file"}
    for form in others:
        try:
            return av.open(where, format=form, options=options, metadata_errors="ignore")
        except av.FFmpegError:
            continue
    return av.open(where, format=last, options=options, metadata_errors="ignore")


def _frames(box: Any, stream: Any, heard: dict[str, Any]) -> Iterator[Samples]:
    """Decoded frames (channels, n) as float32, at their own rate."""
    import av

    packed = av.AudioResampler(format="flt")  # the format only: rate and channels stay. Planes past the seventh cannot be read (PyAV 18)
    try:
        for frame in box.decode(stream):
            if frame.sample_rate != heard.setdefault("rate", _checked_rate(frame.sample_rate)):
                raise UnreadableError(f"its rate changes from {heard['rate']:g} to {frame.sample_rate} Hz; cut it there")
            heard.setdefault("format", frame.format)
            for out in packed.resample(frame):
                yield _parted(out)
        if heard:
            for out in packed.resample(None):
                yield _parted(out)
    except av.FFmpegError:
        raise
    except ValueError as error:  # what PyAV says of frames that do not fit together
        raise UnreadableError(f"its sound is damaged ({error}); cut it or record again") from None


def _parted(frame: Any) -> Samples:
    """Samples (channels, n) of a frame that holds them in turn."""
    samples: Samples = np.asarray(frame.to_ndarray(), dtype=np.float32).reshape(-1, frame.layout.nb_channels).T
    return samples


def _collect(blocks: Iterable[Samples], expected: int, path: Path) -> Samples:
    """All blocks (channels, n) side by side, in one array of the expected length when the file is large enough to hold it.

    Raises UnreadableError for no samples, too many, or one that is no finite number.
    """
    out = np.empty((0, 0), dtype=np.float32)
    filled = 0
    for block in blocks:
        channels, more = block.shape
        if not filled:
            out = _room(channels, max(more, min(expected, TRUSTED * path.stat().st_size // channels)))
        if channels != len(out):
            raise UnreadableError(f"its channels change from {len(out)} to {channels}; cut it there")
        finite = np.isfinite(block)
        if not finite.all():
            channel, at = np.argwhere(~finite)[0]
            value = block[channel, at]
            raise UnreadableError(f"channel {channel + 1}: sample {filled + at + 1} is {value}; replace or cut such samples out")
        if filled + more > out.shape[1]:
            out = np.concatenate([out[:, :filled], np.empty((channels, max(more, filled)), dtype=np.float32)], axis=1)
        out[:, filled : filled + more] = block
        filled += more
        if channels * filled > MOST:
            raise UnreadableError(f"it holds more than {MOST:.3g} samples; cut it into pieces")
    if not filled:
        raise UnreadableError("it holds no samples")
    return out[:, :filled]


def _room(channels: int, n: int) -> Samples:
    """Room for samples (channels, n): in memory, or of a long recording in a file without a name, which the system need not keep there."""
    if 4 * channels * n > IN_MEMORY:
        try:
            with tempfile.TemporaryFile() as file:
                os.posix_fallocate(file.fileno(), 0, 4 * channels * n)  # a disk that is full says so here, and not while it is written
                return np.memmap(file, dtype=np.float32, shape=(channels, n))
        except (OSError, AttributeError):  # no room there, or a system that cannot promise it
            pass
    return np.empty((channels, n), dtype=np.float32)


def _checked_rate(rate: int) -> float:
    if not 0 < rate <= FASTEST_HZ:
        raise UnreadableError(f"it states a rate of {rate} Hz, which cannot be")
    return float(rate)


def _no_sound(path: Path, error: Exception) -> UnreadableError:
    with path.open("rb") as file:
        begins = file.read(8)
    true = ".m4a" if begins[4:] == b"ftyp" else next((name for start, name in BEGINS.items() if begins.startswith(start)), None)
    if true and true != path.suffix.lower():
        return UnreadableError(f"its name ends in {path.suffix}, but it begins as a {true} file does; give it that ending")
    reason = next(iter(str(getattr(error, "error_string", getattr(error, "strerror", None)) or error).splitlines()), "")
    return UnreadableError(f"it cannot be read as {path.suffix[1:].lower()} ({reason.rstrip('. ')}); export it again as wav or flac")
