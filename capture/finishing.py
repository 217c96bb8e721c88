"""A journal becomes a sound file: FLAC where that holds every sample exactly, else 32-bit WAV."""

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import numpy as np

from vibekit.capture.delivery import Delivery
from vibekit.capture.journal import BLOCK, HEADER, MARK, Record, Samples, claimed, opening, records
from vibekit.capture.take import PAUSED, Account, Form, Gap, Take
from vibekit.capture.take_file import depth, write_take
from vibekit.errors import UnreadableError
from vibekit.filestore import settle_folder

PAUSE_S = 0.25  # of zeros stand for a pause, however long it was
POOR = 0.05  # what a MEMS sensor's own oscillator may be off (common practice, no source)
AGREES = 1e-3  # a quartz is never this far off; a rate that is, is another one than stated
UNTOLD = "never came, by the clock"
CUT_OFF = "the program was cut off"


def finish_journal(path: Path, ended: str = CUT_OFF) -> Take:
    """Make the sound file of a journal, beside it, and remove the journal. Done again after a crash in the middle, it gives the same.

    ended: why the take ended, where the journal itself does not tell
    Raises UnreadableError when nothing was recorded (the journal is then removed), when another process holds it, or when no room is left.
    """
    try:
        with claimed(path):
            seen = _Seen.of(path, ended)
            if not seen.frames:
                path.unlink()
            else:
                account = seen.account()
                goal = write_take(path.with_name(_name(path, seen.about)), account, seen.bits, lambda: _filled(path, seen))
                path.unlink()
                settle_folder(path.parent)
                return Take(goal, account)
    except UnreadableError:
        raise
    except OSError as error:
        why = error.strerror or error
        raise UnreadableError(
            f"{path}: the sound file cannot be written ({why}); make room: the take is kept here and can be recovered"
        ) from None
    raise UnreadableError(f"nothing was recorded: {seen.ended}")


@dataclass(slots=True)
class _Seen:
    """What a first look through a journal shows.

    frames: of the file; bits: 16 or 24 where integers hold all samples exactly, else 0
    """

    form: Form
    about: dict[str, str]
    started: datetime
    delivery: Delivery
    ended: str
    frames: int = 0
    bits: int = 16
    gaps: list[Gap] = field(default_factory=list)
    cut: list[tuple[int, int]] = field(default_factory=list)  # (frame of the stream, frames left out of the file before it) of each pause
    flags: Counter[str] = field(default_factory=Counter)  # what the driver reported, and how often
    notes: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, path: Path, ended: str) -> "_Seen":
        every = records(path)
        first = next(every, None)
        if first is None or first.kind != HEADER:
            raise UnreadableError(f"{path}: this journal has no beginning; nothing can be made of it")
        form, about, started = opening(first)
        seen = cls(form, about, started, Delivery(form.rate_hz), ended)
        next_frame, why = 0, ""
        for record in every:
            if record.kind == BLOCK:
                samples = record.samples(len(form.channels))
                seen.add(record, samples, record.frame - next_frame, why or "damaged on the disk")
                next_frame, why = record.frame + len(samples), ""
            elif record.kind == MARK:
                why = seen.marked(record) or why
        return seen

    def add(self, record: Record, samples: Samples, missing: int, why: str) -> None:
        if missing:
            filled = min(missing, round(PAUSE_S * self.form.rate_hz)) if why == PAUSED else missing
            self.gaps.append(Gap(self.frames, missing, filled, why))
            self.cut.append((record.frame, missing - filled))
            self.frames += filled
        self.frames += len(samples)
        self.delivery.add(record.frame + len(samples), len(samples), record.at_ns)
        self.bits = depth(samples, self.bits) if self.bits else 0

    def marked(self, record: Record) -> str:
        """Take in what a mark tells; why frames are missing after it."""
        told = record.told()
        match told["what"]:
            case "began":
                self.started = datetime.fromisoformat(told["at"])
            case "ended":
                self.ended = told["why"]
            case "clock":
                self.notes.append(
                    f"the computer's clock was set by {told['step_s']:+.1f} s, {record.frame / self.form.rate_hz:.1f} s after the start; "
                    "the take is timed by a clock that is never set"
                )
            case "flag":
                self.flags[told["why"]] += 1
            case "lost":
                return str(told["why"])
        return ""

    def account(self) -> Account:
        """What is kept beside the samples."""
        form, stated = self.form, self.form.rate_hz
        rate, u95 = stated, 0.0
        notes = [*self.notes, *(f"the driver reported {why}, {count} times in all" for why, count in self.flags.items())]
        measured = self.delivery.rate()
        if measured and (not form.crystal or abs(measured[0] - stated) > max(AGREES * stated, measured[1])):
            rate, u95 = measured
            notes.append(f"the rate is {rate:.6g} ± {u95:.2g} Hz by this computer's clock; the device states {stated:g} Hz")
        elif not form.crystal:
            u95 = POOR * stated
            notes.append(f"too short to measure the sensor's rate; it states {stated:g} Hz, which may be {100 * POOR:g} % off")
        losses = [Gap(self._in_file(loss.frame), loss.missing, 0, UNTOLD, loss.within) for loss in self.delivery.losses()]
        return Account(
            form=form,
            started=self.started,
            frames=self.frames,
            rate_hz=rate,
            ended=self.ended,
            rate_u95_hz=u95,
            clock_rate_hz=measured[0] if measured else None,
            gaps=tuple(sorted([*self.gaps, *losses], key=lambda gap: gap.frame)),
            about=tuple(self.about.items()),
            notes=tuple(notes),
        )

    def _in_file(self, frame: int) -> int:
        return frame - sum(frames for at, frames in self.cut if at <= frame)


def _filled(path: Path, seen: _Seen) -> Iterator[Samples]:
    """The samples of a journal in order, zeros for what is missing."""
    channels = len(seen.form.channels)
    zeros = {gap.frame: gap.filled for gap in seen.gaps}
    at = 0
    for record in records(path):
        if record.kind == BLOCK:
            if lacking := zeros.get(at, 0):
                yield np.zeros((lacking, channels), np.float32)
                at += lacking
            samples = record.samples(channels)
            yield samples
            at += len(samples)


def _name(path: Path, about: dict[str, str]) -> str:
    day, moment, number = path.stem.split("-")
    words = (day, moment, about.get("craft", ""), about.get("position", ""), number)
    return "-".join(filter(None, (re.sub(r"\W+", "_", word).strip("_") for word in words)))
