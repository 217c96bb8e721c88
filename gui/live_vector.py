"""The 1x vector of what is heard just now, as a balancing job counts it. No Qt."""

import math
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from vibekit.balance_job import BalanceJob, Round, Take
from vibekit.balance_solution import level
from vibekit.errors import UsageError
from vibekit.normal import Z95
from vibekit.recording import Recording
from vibekit.settings import Settings
from vibekit.tacho import read_pulses
from vibekit.vector import vector_of


@dataclass(frozen=True, slots=True)
class LiveVector:
    """What the newest sound says of 1x.

    value: brought to the speed of the job, at the point that shows it best; its angle means nothing when balancing by amplitude;
        None where it cannot be told, `trouble` says why
    u95: half width of the 95 % interval of its amplitude, from how it wanders just now; share: of 1x as it was found, None before that
    """

    value: complex | None = None
    u95: float = math.nan
    unit: str = ""
    rpm: float | None = None
    rpm_u95: float = math.nan
    share: float | None = None
    trouble: str = ""


def look_for_vector(recording: Recording, settings: Settings, job: BalanceJob) -> LiveVector:
    """Measure 1x in the newest sound of a job's recording; to be run beside the window."""
    if job.method == "phase" and not any(read_pulses(recording.samples[row], recording.rate_hz) for row in recording.rows("tacho")):
        return LiveVector(trouble="no tacho pulses: does the rotor turn? Else look at the sensor, at its mark, and what the channels hold")
    try:
        vector = vector_of(recording, settings)
    except UsageError:
        return LiveVector(trouble="no steady shaft speed is heard yet")
    known = LiveVector(unit=vector.unit, rpm=vector.rpm, rpm_u95=vector.rpm_u95)
    now = Round(job.now.stage, job.now.weights, (Take(vector, "", "", datetime.now(UTC)),))
    first = next((r for r in job.rounds if r.takes), None)
    try:
        found = level(job if first else replace(job, rounds=(now,)), now)
    except UsageError:
        return replace(known, trouble=f"{job.other_speed(vector.rpm)}: set the speed")
    size = abs(found.value)
    wander = max(vector.errors) * size / max(map(abs, vector.values))
    before = abs(level(job, first).value) if first else 0.0
    return replace(known, value=found.value, u95=Z95 * wander / math.sqrt(2), share=size / before if before else None)
