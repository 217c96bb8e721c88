"""A microphone made of software: a PulseAudio null sink whose monitor PortAudio records, at 48 kHz, 16 bit, stereo."""

import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

RATE = 48_000
NEEDED = ("pulseaudio", "pacat", "paplay")


def lacking() -> str:
    """Say what is missing to run one, "" when nothing is."""
    missing = [name for name in NEEDED if not shutil.which(name)]
    if missing:
        return f"not installed: {', '.join(missing)}"
    if not list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so")):
        return "not installed: the ALSA plug-in for PulseAudio (libasound2-plugins)"
    try:
        import sounddevice  # noqa: F401
    except (ImportError, OSError) as error:
        return str(error)
    return ""


@dataclass(frozen=True, slots=True)
class NullSink:
    """The running sink. play: give it a file, get the process that plays it; daemon: to be killed by a test that unplugs."""

    play: Callable[[Path], subprocess.Popen]
    daemon: subprocess.Popen


@contextmanager
def null_sink(folder: Path, rate: int = RATE) -> Iterator[NullSink]:
    """Run the sink, its device named "vibe", and keep silence playing: a monitor of nothing delivers nothing."""
    socket, script, conf = folder / "native", folder / "sink.pa", folder / "asound.conf"
    script.write_text(
        f"load-module module-native-protocol-unix socket={socket} auth-anonymous=1\n"
        f"load-module module-null-sink sink_name=vibe rate={rate} channels=2 format=s16le\n"
        "set-default-sink vibe\nset-default-source vibe.monitor\n"
    )
    conf.write_text(
        '</usr/share/alsa/alsa.conf>\npcm.vibe { type pulse device "vibe.monitor" hint { show on description "null sink monitor" } }\n'
    )
    before = {name: os.environ.get(name) for name in ("PULSE_SERVER", "ALSA_CONFIG_PATH")}
    home = {**os.environ, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)}
    daemon = subprocess.Popen(
        ["pulseaudio", "-n", "-F", script, "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no", "--disable-shm=yes",
         f"--log-target=file:{folder / 'log'}"], env=home)  # fmt: skip
    deadline = time.monotonic() + 20
    while not socket.exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    os.environ |= {"PULSE_SERVER": f"unix:{socket}", "ALSA_CONFIG_PATH": str(conf)}
    silence = subprocess.Popen(
        ["pacat", "-p", "--device=vibe", "--latency-msec=50", f"--rate={rate}", "--channels=2", "--format=s16le", "/dev/zero"]
    )
    time.sleep(0.3)
    _look_again()
    started = [silence]

    def play(file: Path) -> subprocess.Popen:
        started.append(subprocess.Popen(["paplay", "--latency-msec=400", "--device=vibe", file]))
        return started[-1]

    try:
        yield NullSink(play, daemon)
    finally:
        for process in (*started, daemon):
            process.terminate()
            process.wait(10)
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value
        _look_again()


def _look_again() -> None:
    """Let PortAudio look for devices anew; a stream that never closes, its server killed, holds that up for ever."""
    import sounddevice

    looking = threading.Thread(target=lambda: (sounddevice._terminate(), sounddevice._initialize()), daemon=True)
    looking.start()
    looking.join(10)
