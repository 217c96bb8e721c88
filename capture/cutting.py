"""A part of a recording as a take of its own."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from vibekit.capture.take import Account, Form, Gap, Take
from vibekit.capture.take_file import depth, write_take
from vibekit.errors import UsageError
from vibekit.recording import Recording


def cut(recording: Recording, span_s: tuple[float, float], base: Path, about: Mapping[str, str], started: datetime) -> Take:
    """Write the samples from span_s[0] to span_s[1] as a take, its file `base` with an ending.

    recording: as read, uncalibrated; started: when it began. Raises UsageError when nothing lies in the span, OSError.
    """
    first, last = (min(max(round(at * recording.rate_hz), 0), recording.samples.shape[1]) for at in span_s)
    if last <= first:
        raise UsageError(f"from {span_s[0]:g} to {span_s[1]:g} s there is nothing in a recording of {recording.duration_s:.4g} s")
    source = recording.source
    name = Path(source.file).name
    samples = np.ascontiguousarray(recording.samples[:, first:last].T, dtype=np.float32)
    account = Account(
        form=Form(recording.rate_hz, recording.channels, name, None, source.processed, source.full_scale, lossy=source.lossy),
        started=started + timedelta(seconds=first / recording.rate_hz),
        frames=last - first,
        rate_hz=recording.rate_hz,
        rate_u95_hz=recording.rate_u95_hz,
        ended=f"cut from {name}, {first / recording.rate_hz:.2f} to {last / recording.rate_hz:.2f} s",
        gaps=tuple(
            Gap(max(lost.start, first) - first, lost.missing, min(lost.stop, last) - max(lost.start, first), lost.why)
            for lost in recording.lost
            if lost.start < last and lost.stop > first
        ),
        about=tuple(about.items()),
        notes=recording.log,
    )
    return Take(write_take(base, account, depth(samples), lambda: iter([samples])), account)
