"""Damaged files of each kind give a recording or one of the kit's own errors: never another exception, a crash or a hang.

A seeded mutator works on small sound files of each kind, in a process of its own with bounded memory.
VIBEKIT_FUZZ_FILES=100000 runs that many. A file that breaks the reader stays in the folder the failure names.
"""

import faulthandler
import json
import os
import random
import resource
import subprocess
import sys
import time
import warnings
from pathlib import Path

FILES = int(os.environ.get("VIBEKIT_FUZZ_FILES", "5000"))  # 6 s
SLOW_S = 5.0  # a damaged file of a few kB that takes longer hangs the reader
HUNG_S = 60
MEMORY = 4 << 30  # bytes of address space: headers may claim more than there is
NUMBERS = (
    b"\0", b"\1", b"\x7f", b"\x80", b"\xff", b"\0\0\0\0", b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\0\0\0\x80", b"\x80\0\0\0",
    b"\x7f\xff\xff\xff",
)  # fmt: skip
WORDS = (
    b"nan", b"inf", b"-", b"", b"1e308", b"-1e-308", b"9" * 25, b",,", b";", b"\n\n", b'"', b"\t", b"#", b"\xef\xbb\xbf", b"\0",
    b"2026-13-45", b"12:00:00", b"x,y", b"\xb2",
)  # fmt: skip


def test_damaged_files_never_break_the_reader(tmp_path, record_property):
    done = subprocess.run([sys.executable, __file__, str(tmp_path), str(FILES)], check=False, capture_output=True, text=True)
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr[-3000:]}\nthe file is in {tmp_path}"
    counts = json.loads(done.stdout.splitlines()[-1])
    for name, count in counts.items():
        record_property(name, count)
    print(f"damaged files: {counts}")
    assert counts["files"] == FILES
    assert counts["recordings"] > 0.05 * counts["files"]  # damage of all degrees: not everything is refused at the door
    assert counts["refused"] > 0.05 * counts["files"]


def seeds(folder: Path) -> list[tuple[str, bytes]]:
    """Small valid files: extension and content."""
    import av
    import numpy as np
    import soundfile

    rate = 8000
    tone = (0.5 * np.sin(np.arange(1200) / 3)).astype(np.float32)
    stereo = np.column_stack([tone, -tone])
    made = []

    def keep(name: str) -> None:
        made.append((Path(name).suffix, (folder / name).read_bytes()))

    for subtype in ("PCM_16", "PCM_24", "PCM_U8", "FLOAT", "DOUBLE", "ULAW", "IMA_ADPCM", "GSM610"):
        soundfile.write(folder / f"{subtype}.wav", tone if subtype in ("IMA_ADPCM", "GSM610") else stereo, rate, subtype)
        keep(f"{subtype}.wav")
    for name, kind, subtype in (
        ("a.w64", "W64", "PCM_16"), ("a.rf64", "RF64", "PCM_16"), ("a.flac", "FLAC", "PCM_16"), ("a.ogg", "OGG", "VORBIS"),
        ("a.opus", "OGG", "OPUS"), ("a.mp3", "MP3", "MPEG_LAYER_III"), ("a.aiff", "AIFF", "PCM_16"), ("a.aifc", "AIFF", "ULAW"),
        ("a.au", "AU", "PCM_16"), ("a.caf", "CAF", "PCM_16"), ("b.caf", "CAF", "ALAC_16"),
    ):  # fmt: skip
        soundfile.write(folder / name, tone, rate, subtype, format=kind)
        keep(name)
    for name, codec, options in (
        ("a.m4a", "aac", {}), ("b.m4a", "alac", {}), ("a.mp4", "aac", {"movflags": "empty_moov+frag_keyframe"}), ("a.mov", "pcm_s16le", {}),
        ("a.3gp", "aac", {}), ("a.aac", "aac", {}), ("a.webm", "libopus", {}), ("a.mka", "flac", {}),
    ):  # fmt: skip
        with av.open(str(folder / name), "w", options=options) as box:
            stream = box.add_stream(codec, rate=rate, layout="mono")
            context = stream.codec_context
            frame = av.AudioFrame.from_ndarray(tone[None], format="fltp", layout="mono")
            frame.rate, frame.pts = rate, 0
            parts = av.AudioResampler(format=context.format.name, layout="mono", rate=rate, frame_size=context.frame_size or 0)
            for part in [*parts.resample(frame), *parts.resample(None)]:
                box.mux(stream.encode(part))
            box.mux(stream.encode(None))
        keep(name)
    stamps = np.floor(np.arange(60) * 10 / 33.554432) * 33.554432
    plain = "time_ms,x,y,z\n" + "".join(f"{stamp:.3f},{np.sin(i):.5f},{np.sin(i / 2):.5f},{i % 7}\n" for i, stamp in enumerate(stamps))
    dated = "date;time;acc x (m/s²);rpm;tacho\n" + "".join(
        f"2026-05-01;10:00:{i / 50:06.3f};{np.sin(i):.4f};3000;{i % 2}\n".replace(".", ",") for i in range(60)
    )
    iso = "timestamp,ax,gx\n" + "".join(f"2026-05-01T10:00:{i / 50:06.3f}+02:00,{i % 7},{'' if i % 3 else 1}\n" for i in range(60))
    quoted = '"t","x"\n' + "".join(f'"{i / 100}","{i % 5},5"\n' for i in range(60))
    texts = {
        ".csv": plain.encode(), ".txt": dated.encode("latin-1"), ".log": iso.encode(), ".dat": quoted.encode("utf-16"),
        ".tsv": ("# sample rate: 100 Hz\n" + plain.replace(",", "\t")).encode("utf-8-sig"),
    }  # fmt: skip
    return made + [(extension, content) for extension, content in texts.items() for _ in range(2)]


def mutate(chance: random.Random, extension: str, content: bytes, others: list[tuple[str, bytes]]) -> bytes:
    """The content with one to a few kinds of damage."""
    if chance.random() < 0.02:
        return chance.randbytes(chance.randrange(3000))
    parts = WORDS if extension in (".csv", ".txt", ".log", ".dat", ".tsv") else NUMBERS
    head = chance.choice((len(content), len(content), 200, 60))  # headers are where it hurts
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        at = chance.randrange(min(head, len(content)) + 1)
        length = chance.choice((1, 2, 4, 16, 200))
        kind = chance.randrange(8)
        if kind == 0:
            content = content[:at] + bytes([chance.randrange(256)]) + content[at + 1 :]
        elif kind == 1:
            piece = chance.choice(parts)
            content = content[:at] + piece + content[at + len(piece) :]
        elif kind == 2:
            content = content[:at] + chance.choice(parts) + content[at:]
        elif kind == 3:
            content = content[:at] + content[at + length :]
        elif kind == 4:
            content = content[:at] + content[at : at + length] * chance.choice((2, 2, 30)) + content[at + length :]
        elif kind == 5:
            content = content[: chance.randrange(len(content) + 1)]
        elif kind == 6:
            content = content[:at] + chance.randbytes(length) + content[at + length :]
        else:
            other = chance.choice(others)[1]
            content = content[:at] + other[chance.randrange(len(other)) :][:2000]
    return content[:20_000]


def statement(chance: random.Random, extension: str) -> dict[str, object]:
    """What a user may state about the file, mostly nothing."""
    stated: dict[str, object] = {}
    if chance.random() < 0.1:
        stated["unit"], stated["sensitivity"] = chance.choice((("g", None), ("Pa", 20.0), ("m/s2", 1e-3)))
    if chance.random() < 0.1:
        stated["roles"] = chance.choices(("vibration", "tacho", "telemetry", "ignore"), k=chance.randrange(1, 4))
    if extension in (".csv", ".txt", ".log", ".dat", ".tsv") and chance.random() < 0.1:
        stated["columns"] = chance.choice((["x"], ["2", "3"], ["ax"]))
    return stated


def main(folder: Path, files: int) -> int:
    """Read so many damaged files; print the counts as JSON; 1 at the first that breaks the reader."""
    from vibekit.capture.files import read_recording
    from vibekit.errors import VibekitError
    from vibekit.recording import Recording

    faulthandler.enable()
    warnings.simplefilter("error")
    good = seeds(folder)
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    counts = {"files": 0, "recordings": 0, "refused": 0}
    slowest = 0.0
    while counts["files"] < files:
        chance = random.Random(counts["files"])
        extension, content = chance.choice(good)
        file = folder / f"damaged{extension}"
        file.unlink(missing_ok=True)  # ext4 writes out at once what takes the place of a truncated file
        file.write_bytes(mutate(chance, extension, content, good))
        stated = statement(chance, extension)
        faulthandler.dump_traceback_later(HUNG_S, exit=True)
        start = time.monotonic()
        try:
            recording = read_recording(file, **stated)
        except VibekitError as error:
            counts["refused"] += 1
            broken = "\n" in str(error) or not str(error).startswith(str(file))
        except BaseException as error:
            print(f"file {counts['files']}: {file} with {stated}: {type(error).__name__}: {error}")
            raise
        else:
            counts["recordings"] += 1
            broken = not isinstance(recording, Recording) or recording.samples.shape[1] == 0
        faulthandler.cancel_dump_traceback_later()
        took = time.monotonic() - start
        slowest = max(slowest, took)
        counts["files"] += 1
        if broken or took > SLOW_S:
            print(f"file {counts['files'] - 1}: {file} with {stated}: took {took:.1f} s, or its message is not one line that names it")
            return 1
    print(json.dumps({**counts, "slowest_ms": round(slowest * 1e3), "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024}))
    return 0


if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
    where, files = sys.argv[1:]
    sys.exit(main(Path(where), int(files)))
