"""A file in, a Recording out: sound files, phone containers and text logs."""

import hashlib
import stat
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from vibekit.capture.channels import assign_roles, calibrate, check_statement, unit_from_gravity
from vibekit.capture.sound import CONTAINERS, SOUND, Sound, read_sound
from vibekit.capture.take import Account
from vibekit.capture.take_file import read_account
from vibekit.capture.textlog import read_log
from vibekit.errors import UnreadableError, UsageError, VibekitError
from vibekit.recording import Channel, Lost, Recording, Samples, Source

TEXT = (".csv", ".tsv", ".txt", ".log", ".dat")
EDGE = 2  # samples on either side of a loss that are left out with it
EXTENSIONS = (*SOUND, *CONTAINERS, *TEXT)


def read_recording(
    path: str | Path,
    *,
    roles: Sequence[str] | None = None,
    unit: str | None = None,
    sensitivity: float | None = None,
    columns: Sequence[str] | None = None,
    time_unit: str | None = None,
    rate_hz: float | None = None,
) -> Recording:
    """Read a recording as it is, at the rate its file or its time stamps tell; its extension tells what kind of file it is.

    path: one of EXTENSIONS
    roles: one a channel, in file order: "vibration", "tacho", "telemetry", or "ignore" to drop it; all vibration by
        default for sound, by column name for text
    unit: of the vibration channels: "g", "m/s2", "mm/s", "Pa", "V" or "FS". Without a sensitivity the samples are taken
        as already in it. A sound file without a unit stays "FS", a fraction of full scale
    sensitivity: how many of `unit` one stored 1 is: full scale of a sound file, a count or volt of a text log.
        Vibration samples are multiplied by it
    columns: of a text log, names or numbers (from 1) of those to read as channels; by default those whose names tell
    time_unit: of a text log's time column, "s", "ms", "us" or "ns"; by default from its name, else its size
    rate_hz: of a text log without a time column

    Sound is float32 (channels, n), text float64. A text log is put on an even grid only when its time stamps are uneven
    beyond what they can resolve; the recording's log says so, and its `stamp_s` then are the times of that grid.

    Raises UnreadableError when the file is not what it should be, UsageError when what is stated about it cannot be.
    """
    path = Path(path)
    check_statement(unit, sensitivity)
    try:
        sha256 = _digest(path)
        if path.suffix.lower() in TEXT:
            recording = read_log(path.read_bytes(), roles=roles, columns=columns, time_unit=time_unit, rate_hz=rate_hz)
        else:
            _check_sound_only(columns=columns, time_unit=time_unit, rate_hz=rate_hz)
            recording = _sound(path, roles)
        recording = replace(recording, source=replace(recording.source, file=str(path), sha256=sha256))
        return _in_unit(recording, unit, sensitivity)
    except VibekitError as error:
        raise type(error)(f"{path}: {error}") from None


def _digest(path: Path) -> str:
    """SHA-256 of the file. Raises UnreadableError unless it is of a known kind, can be read and holds something."""
    try:
        mode = path.stat().st_mode
        if not stat.S_ISDIR(mode) and path.suffix.lower() not in EXTENSIONS:
            problem = f"its name ends in {path.suffix or 'no extension'}; the kit reads {', '.join(EXTENSIONS)}"
        elif not stat.S_ISREG(mode):
            problem = "it is a folder or a device; name a file"
        elif not path.stat().st_size:
            problem = "it is empty; record again"
        else:
            with path.open("rb") as file:
                return hashlib.file_digest(file, "sha256").hexdigest()
    except FileNotFoundError:
        problem = "there is no such file; check its name"
    except (OSError, ValueError) as error:
        problem = f"it cannot be opened ({getattr(error, 'strerror', None) or error}); check its name and who may read it"
    raise UnreadableError(problem)


def _check_sound_only(**stated: object) -> None:
    for name, value in stated.items():
        if value is not None:
            raise UsageError(f"{name} is {value!r}; it can be stated for a text log only, leave it out")


def _sound(path: Path, roles: Sequence[str] | None) -> Recording:
    sound = read_sound(path)
    account = read_account(path)
    if account is not None and account.frames == sound.samples.shape[1] and len(account.form.channels) == len(sound.samples):
        return _take(sound, account, roles)
    every = [Channel(name=str(i + 1)) for i in range(len(sound.samples))]
    kept, samples, log = _kept(sound, every, roles)
    source = Source(encoding=sound.encoding, lossy=sound.lossy, full_scale=sound.full_scale)
    return Recording(samples, sound.rate_hz, kept, source, log=log)


def _take(sound: Sound, account: Account, roles: Sequence[str] | None) -> Recording:
    """A recording that the kit made itself, with what its recorder knew."""
    kept, samples, log = _kept(sound, account.form.channels, roles)
    form = account.form
    full_scale = form.full_scale or sound.full_scale
    source = Source(encoding=sound.encoding, lossy=form.lossy, full_scale=full_scale, processed=form.processed)
    lost = tuple(
        Lost(max(gap.frame - max(gap.within, EDGE), 0), min(gap.frame + gap.filled + EDGE, account.frames), gap.missing, gap.why)
        for gap in account.gaps
    )
    return Recording(samples, account.rate_hz, kept, source, account.rate_u95_hz, start=account.started, lost=lost, log=log + account.notes)


def _kept(sound: Sound, every: Sequence[Channel], roles: Sequence[str] | None) -> tuple[tuple[Channel, ...], Samples, tuple[str, ...]]:
    """Channels with the roles the user gave them, their samples, and what was done."""
    kept = assign_roles(every, roles)
    if len(kept) == len(every):
        return tuple(channel for _, channel in kept), sound.samples, sound.log
    names = ", ".join(channel.name for _, channel in kept)
    log = (*sound.log, f"channels kept, the others ignored as asked: {names}")
    return tuple(channel for _, channel in kept), sound.samples[[i for i, _ in kept]], log


def _in_unit(recording: Recording, unit: str | None, sensitivity: float | None) -> Recording:
    """The recording in the unit its user states, or in the one gravity tells where a text log states none."""
    if unit is not None:
        samples, channels, log = calibrate(recording.samples, recording.channels, unit, sensitivity)
        full_scale = recording.source.full_scale
        source = replace(recording.source, full_scale=full_scale and full_scale * (sensitivity or 1))
        taken = recording.taken
        if taken is not None:
            taken = replace(taken, samples=calibrate(taken.samples, recording.channels, unit, sensitivity)[0])
        return replace(recording, samples=samples, channels=channels, source=source, log=recording.log + log, taken=taken)
    if recording.source.encoding != "text":
        return recording
    channels, log = unit_from_gravity(recording.samples, recording.channels)
    return replace(recording, channels=channels, log=recording.log + log)
