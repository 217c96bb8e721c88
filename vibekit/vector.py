"""The 1x vector of a recording: amplitude and phase of what comes once a turn, or its amplitude alone."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from vibekit.errors import UsageError
from vibekit.normal import Z95
from vibekit.order_line import order_lines
from vibekit.orders import angular_signal
from vibekit.recording import Recording
from vibekit.screening import steady_part
from vibekit.settings import Settings
from vibekit.speed import SpeedTrack, find_speed
from vibekit.transform import Transform
from vibekit.window import OVERLAP_WORTH

Array = npt.NDArray[np.float64]
BLOCKS = 12  # of a recording: their scatter is the error of its vector
LEAST_TURNS = 40.0


@dataclass(frozen=True, slots=True)
class Vector:
    """What comes once a turn, in each vibration channel of one recording.

    values: peak amplitude in `unit`, its angle the lead before the tacho's pulse: a weight moved on in the direction of rotation turns
        it on by as much; real and positive without a tacho
    errors: root mean square size of the error of each, from its scatter along the recording, so wide that 1.96 times either part of it
        holds 95 %
    rpm, rpm_u95: mean shaft speed and half width of its 95 % interval
    """

    values: tuple[complex, ...]
    errors: tuple[float, ...]
    rpm: float
    rpm_u95: float
    has_phase: bool
    unit: str


def vector_of(recording: Recording, settings: Settings) -> Vector:
    """Measure 1x over the steady part of a recording.

    With a tacho channel (a reflective strip, a magnet, a mark that the sensor sees; of several one must tell itself apart by its gap) each
    block of whole turns is turned back by the shaft's angle and averaged under a Hann window (synchronous demodulation). Without one, the
    amplitude is taken from the order spectrum.

    Raises UsageError when no shaft speed is found or the recording is shorter than 40 turns.
    """
    part = steady_part(recording, settings)
    track = find_speed(recording, settings, part)
    name = recording.source.file or "recording"
    if track is None:
        raise UsageError(f"{name}: no shaft speed is found; record a tacho on a second channel, or type the speed with --speed")
    seconds = (part.stop - part.start) / recording.rate_hz
    if seconds * track.mean_hz < LEAST_TURNS:
        raise UsageError(f"{name}: {seconds * track.mean_hz:.0f} turns are too few for a vector; record at least {LEAST_TURNS:.0f}")
    rows = recording.rows("vibration")
    samples = [recording.samples[row, part] for row in rows]
    has_phase = track.method == "tacho" and track.has_origin
    if has_phase:
        turns = track.turns(np.arange(part.stop - part.start) / recording.rate_hz)
        found = [_with_phase(x, turns) for x in samples]
    else:
        found = [_amplitude(Transform.of(x, recording.rate_hz), track) for x in samples]
    values, errors = zip(*found, strict=True)
    unit = recording.channels[rows[0]].unit
    return Vector(values, errors, 60 * track.mean_hz, 60 * track.u95_hz, has_phase, unit)


def _with_phase(x: npt.NDArray[np.floating], turns: Array) -> tuple[complex, float]:
    """Mean over half overlapping blocks of whole turns, and the error of that mean."""
    whole = int((turns[-1] - turns[0]) * 2 / (BLOCKS + 1))  # turns of a block
    edges = np.searchsorted(turns, turns[0] + whole / 2 * np.arange(BLOCKS + 2))
    vectors = []
    for start, stop in zip(edges[:-2], edges[2:], strict=True):
        angle = 2 * np.pi * turns[start:stop]
        window = 1 - np.cos((angle - angle[0]) / whole)
        vectors.append(2 * np.sum(window * x[start:stop] * np.exp(-1j * angle)) / np.sum(window))
    free = BLOCKS * OVERLAP_WORTH
    unsure = float(stdtrit(2 * (free - 1), 0.975)) / Z95  # a variance that so few blocks tell (Student, Biometrika 6 (1908) 1-25)
    return complex(np.mean(vectors)), unsure * float(np.std(vectors, ddof=1)) / math.sqrt(free)


def _amplitude(transform: Transform, track: SpeedTrack) -> tuple[complex, float]:
    end = (transform.n - 1) / transform.rate_hz
    time = np.linspace(0.0, end, max(int(end * track.mean_hz * 2), 16))
    angular = angular_signal(transform, (time, track.turns(time)), max_order=4.0, unit="")
    assert angular is not None, "40 turns were asked for"
    (found,) = order_lines(angular.spectrum(), [(1.0, "1x", 0.0)])
    return complex(found.amplitude), found.u95 / Z95 * math.sqrt(2)
