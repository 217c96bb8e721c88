"""What the shaft speed says about the recording: enough turns, steady enough, and a sensor fast enough."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibekit.problem import Problem
from vibekit.recording import Recording
from vibekit.settings import Settings

if TYPE_CHECKING:
    from vibekit.reading import SpeedResult

LEAST_TURNS = 4.0  # the main lobe of a Hann line is 4 bins wide: with fewer turns neighbouring orders run into each other
FEW_TURNS = 30.0  # below, defect orders and their side bands a fraction of an order away do not part
STEADY = 0.1  # range over mean: unbalance force, which goes as speed squared, then changes by 20 %
UNEVEN_NOTE = 0.04
RUN_UP = 1.3  # fastest over slowest: less than this tells amplitude against speed nothing
RACE_RATE = 20_000.0  # races of small bearings ring at several kHz
SMALL_BALL_MM = 5.0
SLOW_RATE = 1000.0
HELD_SPEED = "steady-speed"  # code of a run-up, or a spin by hand, whose speed hardly changed
FLIGHT = " If it was a flight, say so: with --test flight the rotors are told apart and held against each other."


def alias_hz(frequency: float, rate_hz: float) -> float:
    """Where a frequency appears that lies above half the rate: folded back into 0 to rate / 2."""
    return abs(frequency - rate_hz * round(frequency / rate_hz))


def check_turns(recording: Recording, settings: Settings, speed: SpeedResult) -> list[Problem]:
    """Number of revolutions in the record."""
    assert speed.rpm is not None
    turns = speed.rpm / 60 * recording.duration_s
    if turns < LEAST_TURNS:
        detail = (
            f"Only {turns:.1f} turns of the shaft were recorded: its lines run into each other. "
            f"Record at least {FEW_TURNS:.0f} turns, better some hundred."
        )
        return [Problem("few-turns", "stop", detail)]
    if turns < FEW_TURNS and settings.test != "hand-spin":
        detail = (
            f"Only {turns:.0f} turns of the shaft were recorded: intervals are wide and close lines do not part. Record some hundred turns."
        )
        return [Problem("few-turns", "warning", detail)]
    return []


def check_steadiness(settings: Settings, speed: SpeedResult) -> list[Problem]:
    """Whether the speed held, or changed, as the test asks."""
    if speed.rpm is None or speed.rpm_min is None or speed.rpm_max is None or speed.rpm_min <= 0 or settings.test == "flight":
        return []
    text = f"{speed.rpm_min:.0f} to {speed.rpm_max:.0f} rpm"
    if settings.test in ("run-up", "hand-spin"):
        if speed.rpm_max < RUN_UP * speed.rpm_min:
            detail = f"The speed went from {text} only: this is no run-up. Let it change by a factor of two or more, or state another test."
            if settings.test == "hand-spin":
                detail = (
                    f"The speed stayed from {text}, as under power: this is no spin by hand. Battery out, propeller off, sensor near: "
                    "flick the motor and record until it stands. Or state the test that was run."
                )
            return [Problem(HELD_SPEED, "warning", detail)]
        return []
    change = (speed.rpm_max - speed.rpm_min) / speed.rpm
    perhaps_flight = FLIGHT if settings.test is None else ""
    if change > STEADY:
        detail = (
            f"The speed went from {text}: forces changed by {100 * ((speed.rpm_max / speed.rpm_min) ** 2 - 1):.0f} % meanwhile, "
            f"and amplitudes are means over that. Hold the speed, or record it as a run-up.{perhaps_flight}"
        )
        return [Problem("unsteady-speed", "warning", detail)]
    if change > UNEVEN_NOTE:
        words = f"The speed wandered ({text}): orders are tracked, lines in hertz smear. Hold the throttle still or use a governor."
        detail = words + perhaps_flight
        return [Problem("unsteady-speed", "note", detail)]
    return []


def check_sensor_speed(recording: Recording, settings: Settings, speed: SpeedResult) -> list[Problem]:
    """Whether orders lie below half the rate, and where they appear if not."""
    assert speed.rpm is not None
    shaft, rate = speed.rpm / 60, recording.rate_hz
    found = []
    if shaft >= rate / 2:
        seen = alias_hz(shaft, rate)
        spread = (speed.rpm_u95 or 0.0) / 60 + round(shaft / rate) * recording.rate_u95_hz
        detail = (
            f"The shaft turns at {shaft:.1f} Hz, faster than half the sensor's {rate:.1f} samples a second: "
            f"1x appears at {seen:.1f} ± {max(spread, 0.1):.1f} Hz, weakened by the sensor's filter, and other orders fold in among it. "
            f"Use a sensor with {10 * shaft:.0f} samples a second or more, or a microphone."
        )
        found.append(Problem("aliasing", "warning", detail))
    elif 2 * shaft >= rate / 2:
        detail = (
            f"Only 1x ({shaft:.1f} Hz) lies below half the sensor's {rate:.1f} samples a second, 2x appears at "
            f"{alias_hz(2 * shaft, rate):.1f} Hz: looseness, a bent shaft and blades cannot be told. "
            f"Use a sensor with {10 * shaft:.0f} samples a second or more, or a microphone."
        )
        found.append(Problem("aliasing", "warning", detail))
    elif settings.blades and settings.blades * shaft >= rate / 2:
        detail = (
            f"Blade pass ({settings.blades * shaft:.0f} Hz) lies above half the rate and appears at "
            f"{alias_hz(settings.blades * shaft, rate):.1f} Hz: blades cannot be judged. Use a faster sensor or a microphone."
        )
        found.append(Problem("aliasing", "warning", detail))
    if speed.method == "estimated" and rate < SLOW_RATE:
        detail = (
            f"The speed was read from a sensor that sees up to {rate / 2:.0f} Hz only: a faster shaft would look slow in it. "
            "Compare with the sound's pitch or type the speed."
        )
        found.append(Problem("speed-by-slow-sensor", "note", detail))
    return found


def check_race_band(recording: Recording, settings: Settings) -> list[Problem]:
    """Whether small races can be heard at all."""
    large = settings.bearings and all(bearing.ball_mm >= SMALL_BALL_MM for bearing in settings.bearings)
    if recording.rate_hz >= RACE_RATE or large:
        return []
    half = recording.rate_hz / 2
    seen = f"{half / 1000:.3g} kHz" if half >= 1000 else f"{half:.0f} Hz"
    detail = (
        f"At {recording.rate_hz:.0f} samples a second nothing above {seen} is seen, "
        "and races of small bearings ring higher: their damage may stay hidden. Record with 20 kHz or more to judge them."
    )
    return [Problem("no-race-band", "note", detail)]
