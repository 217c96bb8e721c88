"""Readings made by hand, for tests of what keeps and prints them."""

from dataclasses import replace

import numpy as np

from vibekit.bearing import Bearing
from vibekit.finding import Conclusion, Diagnosis, Evidence, Finding
from vibekit.reading import Curve, OrderLine, Quantity, Reading, SpeedResult
from vibekit.screening import Problem, Screening
from vibekit.settings import Settings

READING = Reading(
    file="north-east.wav",
    sha256="0" * 64,
    rate_hz=48_000.0,
    duration_s=2.5,
    channels=(("vibration", "FS"), ("tacho", "pulse")),
    settings=Settings("prop", 6012.5, 2, 14, 12, (Bearing(7, 1.588, 6.5),), "microphone"),
    screening=Screening((Problem("hum", "note", "a line at 50 Hz"), Problem("clipping", "warning", "12 samples at full scale"))),
    speed=SpeedResult("tacho", 6012.5, 1.5, 6001.0, 6020.0),
    orders=(OrderLine(1.0, "1x", 0.0123, 0.0004, "FS", 1e-5), OrderLine(2.0, "blade pass", 0.1 + 0.2, float("inf"), "FS", -0.0)),
    quantities=(Quantity("kurtosis", 3.04, 0.1, ""), Quantity("grit", float("nan"), 1.0, "events/turn")),
    curves=(Curve("order", np.linspace(0, 50, 501), np.geomspace(1e-6, 1, 501), "order", "FS", 0.15),),
    engine="0.1.0",
    log=("mean removed",),
)
DIAGNOSIS = Diagnosis(
    (
        Finding(
            "prop-imbalance",
            0.83,
            (Evidence("1x stands 62 dB above the floor", True, 1.4), Evidence("nothing to compare with", False, -0.2)),
            "north-east",
            "propeller",
            "balance",
            "run it bare",
        ),
        Finding("rotor-imbalance", 0.1, (), None, "motor", "measure again", "run it bare"),
    ),
    Conclusion("undecided", 0.83, "north-east", "propeller", "measure again", "one recording alone", "run it bare"),
)


def reading_of(sha256: str, settings: Settings, **changes: object) -> Reading:
    """Give the reading above as if of another file."""
    return replace(READING, sha256=sha256, settings=settings, **changes)
