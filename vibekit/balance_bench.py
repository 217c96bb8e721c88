"""A balancing job on the bench: each recording measured, judged and kept in the archive at once, so that nothing is lost."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from vibekit.analysis import analyze
from vibekit.archive import Archive
from vibekit.balance_job import BalanceJob, Stage, Take
from vibekit.balance_step import Step, next_step
from vibekit.casefile import open_case
from vibekit.curable import check_reading, find_obstacles, modes_passed
from vibekit.kept import KeptBalance, NewReading, PartAction
from vibekit.mode import FrameMode
from vibekit.recording import Recording
from vibekit.settings import Settings
from vibekit.spots import Weight
from vibekit.vector import vector_of
from vibekit.verdict_keeping import add_action, add_readings


class BalanceBench:
    """A job that goes on. Every method keeps the job in the archive before it returns; `job` is how it stands.

    id: of a job that is kept already; modes: of the frame, from a tap test
    """

    def __init__(self, archive: Archive, job: BalanceJob, id: str | None = None, modes: Sequence[FrameMode] = ()) -> None:
        self.archive = archive
        self.job = job
        self.modes = tuple(modes)
        self.id = id or archive.put_balance(job)

    @property
    def step(self) -> Step:
        """What to do next."""
        return next_step(self.job)

    def add(self, path: Path, recording: Recording, settings: Settings, reader: dict[str, Any] | None = None) -> Take:
        """Add a recording of the rotor as it is; give what was measured.

        settings: of a run with propeller, completed by the craft's description; reader: what was stated about the file
        Recordings of the rotor as found, and with its correction, are kept as ordinary readings too: they show what was and what is.
        Raises UsageError for a recording that is not fit, and UnreadableError when it cannot be kept; the job then stays as it was.
        """
        speeds = self.job.references_rpm
        if settings.speed_rpm is None and len(speeds) == 1 and self.job.method == "amplitude":
            settings = replace(settings, speed_rpm=speeds[0])
        reading = analyze(recording, settings)
        check_reading(reading)
        at = recording.start.astimezone(UTC) if recording.start else datetime.now(UTC)
        take = Take(vector_of(recording, settings), recording.source.file or path.name, recording.source.sha256, at)
        job = self.job.add(take)
        if job.now.stage == "check" and not self.job.now.takes:
            before = max((t.at for r in self.job.rounds for t in r.takes if t.at < at), default=at - timedelta(seconds=1))
            self._note_balanced(before + (at - before) / 2)
        if job.now.stage != "trial":
            kept = NewReading(job.position, path, reading, job.setup, reader, at)
            add_readings(self.archive, self.archive.craft(job.craft), [kept])
        self.keep(job, {take.sha256: path})  # last: stopped before this, the same file can be added again
        if job.now.stage == "as found" and not any(job.missing()):
            self.look()
        return take

    def look(self) -> None:
        """Look for what balancing cannot cure, in the rotor as found and in all that the archive knows of this motor."""
        job = self.job
        kept = self.archive.readings(job.craft, job.position)
        found_as = {take.sha256 for take in job.rounds[0].takes}
        verdict = open_case(self.archive, job.craft).judge().get(job.position)
        obstacles = find_obstacles(
            job,
            [k.reading for k in kept if k.recording in found_as],
            [k.reading for k in kept if k.settings.test == "bare"][-3:],
            (*self.modes, *modes_passed([k.reading for k in kept if k.settings.test == "run-up"][-3:])),
            verdict.conclusion if verdict else None,
        )
        self.keep(replace(job, obstacles=obstacles))

    def mount(self, stage: Stage, weights: tuple[Weight, ...]) -> None:
        """Say what is on the rotor now, over its first state."""
        self.keep(self.job.mount(stage, weights))

    def do(self, step: Step) -> None:
        """Say that the weights of a step are mounted as it says."""
        self.mount("trial" if step.kind == "trial" else "check", step.weights)

    def back(self) -> str:
        """Take back the last recording, or the weights where none was made with them; give in words what went. Raises UsageError.

        What was kept beside the job goes, too: the recording as a reading, and that the rotor was balanced. Its file stays.
        """
        gone, job = self.job.now, self.job.back()
        ids = [k.id for k in self.archive.readings(job.craft, job.position) if gone.takes and k.recording == gone.takes[-1].sha256]
        if not job.now.takes:
            ids += [a.id for a in self.archive.actions(job.craft, job.position) if gone.stage == "check" and a.note == self._note]
        self.archive.take_back(ids)
        self.keep(job)
        return Path(gone.takes[-1].file).name if gone.takes else f"the weights of the {gone.stage}"

    def refitted(self) -> None:
        """Say that the propeller was taken off and put back."""
        self.keep(self.job.refitted())

    def overrule(self) -> None:
        """Go on in spite of the obstacles."""
        self.keep(replace(self.job, overruled=True))

    def keep_trials(self) -> None:
        """Leave trial weights on when the correction is mounted."""
        self.keep(replace(self.job, keep_trials=True))

    def end(self, why: str) -> None:
        """End the job. why: in words."""
        self.keep(replace(self.job, ended=why))

    def keep(self, job: BalanceJob, files: dict[str, Path] | None = None) -> None:
        """Put the job into the archive as it is now. files: of recordings that are new, by their fingerprint."""
        self.archive.put_balance(job, files, self.id)
        self.job = job

    @property
    def _note(self) -> str:
        """How work on the rotor is known as this round's."""
        return f"balancing job {self.id[:8]}, round {len(self.job.rounds)}"

    def _note_balanced(self, at: datetime) -> None:
        """What is measured from now on is compared with what comes after."""
        job = self.job
        fitted = ", ".join(f"{w.mass_g:.3g} g at {w.spot.name}, {w.spot.radius_mm:g} mm" for w in job.now.weights)
        if not any(action.note == self._note for action in self.archive.actions(job.craft, job.position)):
            part = "propeller" if "propeller" in job.planes else "bell"
            add_action(self.archive, PartAction(job.craft, job.position, part, "balanced", fitted, self._note, at))


def open_job(archive: Archive, craft: str, position: str) -> KeptBalance | None:
    """Give the newest job of a position that has not ended, None when there is none."""
    kept = [balance for balance in archive.balances(craft, position) if not balance.job.ended]
    return kept[-1] if kept else None


def coefficients_from(archive: Archive, job: BalanceJob) -> BalanceJob:
    """Give a new job with the runs of the last one in the same set-up, whose influence coefficients it may use.

    They hold while sensor, speed and the mark on the rotor are the same. Without such a job it is given back as it is.
    """
    earlier = [balance.job for balance in archive.balances(job.craft, job.position)]
    fit = [old for old in earlier if old.method == "phase" == job.method and old.planes == job.planes and old.setup == job.setup]
    tried = [old for old in fit if any(r.stage != "as found" and r.takes for r in old.rounds)]
    return replace(job, borrowed=tried[-1].whole, speeds_rpm=tried[-1].references_rpm) if tried else job
