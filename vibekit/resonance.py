"""Does a frame's mode lie near a speed? From a run-up, or from a tap on the arm that stands still."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError
from vibekit.orders import angular_signal
from vibekit.recording import Recording
from vibekit.settings import Settings
from vibekit.speed import find_speed
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
NEAR = 0.15  # of the speed: nearer than this phase and amplitude turn with it too fast for balancing (common practice, no source)
STANDS_DB = 6.0  # by which a mode stands over what lies beside it
TURNS = 12  # of a block of a run-up
TAP_S = 0.6
SHARE = 0.01  # of the frequency: width over which a tap's power is averaged


@dataclass(frozen=True, slots=True)
class NearMode:
    """A mode near a speed. hz: where it peaks; away: from the speed, as a share of it; stands_db: over what lies beside it."""

    hz: float
    away: float
    stands_db: float


def mode_in_run_up(recording: Recording, settings: Settings, rpm: float) -> NearMode | None:
    """Look for a mode near `rpm`: 1x over speed squared, which an unbalance alone keeps level, peaks there. None when it does not.

    Raises UsageError when the run-up has no speed or does not pass the range from 25 % below to 10 % above the speed.
    """
    track = find_speed(recording, settings)
    if track is None:
        raise UsageError(f"{recording.source.file or 'run-up'}: no shaft speed is found; record a tacho with it")
    transforms = [Transform.of(recording.samples[row], recording.rate_hz) for row in recording.rows("vibration")]
    time = np.linspace(0.0, (transforms[0].n - 1) / recording.rate_hz, 2000)
    power, speed = np.zeros(0), np.zeros(0)
    for transform in transforms:
        angular = angular_signal(transform, (time, track.turns(time)), max_order=3.0, unit="")
        if angular is not None:
            spectrum = angular.spectrum(block_turns=TURNS)
            line, _ = spectrum.line_power(1.0)
            speed = spectrum.speed_hz
            power = np.maximum(line, 1e-300) if not power.size else power + np.maximum(line, 1e-300)
    if not speed.size or speed.min() > 0.75 * rpm / 60 or speed.max() < 1.1 * rpm / 60:
        name = recording.source.file or "run-up"
        raise UsageError(f"{name}: it does not pass {0.75 * rpm:.0f} to {1.1 * rpm:.0f} rpm; run up from well below the speed to above it")
    order = np.argsort(speed)
    return _near(speed[order], power[order] / speed[order] ** 4, rpm / 60)


def mode_in_tap(recording: Recording, rpm: float) -> NearMode | None:
    """Look for a mode near `rpm` in what a tap sets ringing, the rotor standing still; None when there is none.

    The half second after the hardest knock is looked at. Raises UsageError when no knock stands out.
    """
    samples = [recording.samples[row].astype(np.float64) for row in recording.rows("vibration")]
    total = np.sum([np.abs(x - x.mean()) for x in samples], axis=0)
    at = int(np.argmax(total))
    if total[at] < 8 * np.median(total):
        name = recording.source.file or "tap"
        raise UsageError(f"{name}: no tap stands out; tap the arm beside the motor with something soft, the motor standing still")
    part = slice(at, min(at + int(TAP_S * recording.rate_hz), total.size))
    power = np.sum([np.abs(np.fft.rfft(x[part] - x[part].mean(), 1 << 18)) ** 2 for x in samples], axis=0)
    frequency = np.fft.rfftfreq(1 << 18, 1 / recording.rate_hz)
    middles = rpm / 60 * np.exp(np.arange(-0.7, 0.7, SHARE))
    smooth = np.array([power[(frequency > f * (1 - SHARE)) & (frequency < f * (1 + SHARE))].mean() for f in middles])
    return _near(middles, smooth, rpm / 60)


def _near(hz: Array, power: Array, at_hz: float) -> NearMode | None:
    """The highest point within NEAR of a frequency, where it is a peak that stands over both of its sides."""
    inside = np.flatnonzero(np.abs(hz / at_hz - 1) <= NEAR)
    if not inside.size:
        return None
    top = int(inside[np.argmax(power[inside])])
    sides = [power[(hz > at_hz * a) & (hz < at_hz * b)] for a, b in ((0.6, 1 - 1.2 * NEAR), (1 + 1.2 * NEAR, 1.6))]
    beside = max((float(np.median(side)) for side in sides if side.size > 1), default=math.inf)
    stands = 10 * math.log10(power[top] / beside) if beside > 0 else math.inf
    return NearMode(float(hz[top]), float(hz[top] / at_hz - 1), stands) if stands > STANDS_DB else None
