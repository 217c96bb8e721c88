"""First questions: is there anything, for long enough, loud enough, on every channel?"""

import numpy as np

from vibekit.problem import Problem
from vibekit.recording import Recording
from vibekit.screen.look import Look
from vibekit.screen.overview import LEAST
from vibekit.units import STANDARD_GRAVITY

LEAST_S = 0.1  # ten turns at 6 000 rpm
SHORT_S = 2.0
LEAST_VALUE, MOST_VALUE = 1e-12, 1e12
FEW_STEPS = 4.0  # standard deviation in quantisation steps: rounding noise is then 23 dB under the signal
OFFSET = 0.05  # of full scale
MOST_GRAVITY = 1.3  # what a sensor at rest may read, poor scale and zero allowed for
GRAVITY = {"g": 1.0, "m/s2": STANDARD_GRAVITY}
SAME = 1e-6  # 1 - correlation of two channels that are copies
SOME = 60_000


def dead_channels(recording: Recording, part: slice = slice(None)) -> list[int]:
    """Indices of the vibration channels that hold one value throughout a part."""
    return [row for row in recording.rows("vibration") if np.ptp(recording.samples[row, part]) == 0]


def check_present(recording: Recording) -> list[Problem]:
    """What forbids everything else: no vibration channel, silence, too short."""
    rows = recording.rows("vibration")
    if not rows:
        return [Problem("no-vibration", "stop", "No channel holds vibration or sound. Say with --roles which one does.")]
    count = recording.samples.shape[1]
    if count < LEAST or recording.duration_s < LEAST_S:
        detail = (
            f"The recording holds {count} samples, {recording.duration_s:.3g} s: too few turns of any shaft to tell its lines apart. "
            "Record at least 2 s, better 10."
        )
        return [Problem("too-short", "stop", detail)]
    dead = dead_channels(recording)
    if len(dead) == len(rows):
        value = float(recording.samples[rows[0], 0])
        what = "only zeros" if value == 0 else f"the same value {value:g} throughout"
        detail = (
            f"The recording holds {what}: the microphone was not permitted, muted, or not connected. "
            "Allow it for this program in the system's privacy settings, or choose another device, and record again."
        )
        return [Problem("silent", "stop", detail)]
    largest = max(max(-float(recording.samples[row].min()), float(recording.samples[row].max())) for row in rows)
    if not LEAST_VALUE < largest < MOST_VALUE:
        detail = f"The largest value is {largest:.1g}: no sensor delivers that. Check the column, the unit and the sensitivity."
        return [Problem("scale", "stop", detail)]
    found = []
    if dead:
        names = ", ".join(recording.channels[row].name for row in dead)
        detail = f"Channel {names} holds one value throughout and is left out. Check its plug and permission."
        found.append(Problem("dead-channel", "warning", detail))
    if recording.duration_s < SHORT_S:
        detail = f"{recording.duration_s:.2f} s are short: intervals come out wide, and what comes and goes is missed. Record 10 s or more."
        found.append(Problem("short", "note", detail))
    return found


def check_source(recording: Recording) -> list[Problem]:
    """What is known to have been done to the samples."""
    found = []
    source = recording.source
    if source.processed:
        detail = (
            f"The phone or system changed the sound ({', '.join(source.processed)}): its levels compare with no other recording. "
            "Switch sound processing off and record again."
        )
        found.append(Problem("processed", "warning", detail))
    if source.lossy:
        detail = (
            f"The file was made with {source.lossy}, which throws away what ears do not miss: orders stand, "
            "weak high sounds of bearings and clipping before the codec cannot be seen. Record as WAV or FLAC where there is a choice."
        )
        found.append(Problem("lossy", "note", detail))
    return found


def check_ends(look: Look) -> list[Problem]:
    """What was left out at the ends and in the middle."""
    found = []
    rate, n = look.recording.rate_hz, look.recording.samples.shape[1]
    start, stop = look.steady.part[0] / rate, (n - look.steady.part[1]) / rate
    ends = [text for seconds, text in ((start, f"first {start:.1f} s"), (stop, f"last {stop:.1f} s")) if seconds >= 0.05]
    if ends:
        detail = f"The {' and the '.join(ends)} differ from the rest: handling, start and stop, or take-off and landing. That is left out."
        found.append(Problem("ends", "note", detail))
    if look.steady.knocks:
        times = ", ".join(f"{a / rate:.1f}" for a, _ in look.steady.knocks[:5])
        many = "A knock" if len(look.steady.knocks) == 1 else f"{len(look.steady.knocks)} knocks"
        detail = f"{many} at {times} s that the machine does not repeat: left out. If it was the motor, record again and listen."
        found.append(Problem("knock", "note", detail))
    return found


def check_level(look: Look) -> list[Problem]:
    """Signals of a few quantisation steps, and offsets that eat the range."""
    found = []
    full = look.recording.source.full_scale
    for view in look.views:
        o = view.overview
        where = view.where
        spread = view.variance**0.5
        if o.step and spread < FEW_STEPS * o.step:
            detail = (
                f"The signal{where} spans only {max(spread / o.step, 0.1):.1f} steps of the file (standard deviation): "
                "rounding noise covers weak lines. Raise the gain, go nearer, or use a finer range."
            )
            found.append(Problem("low-level", "warning", detail))
        unit = look.recording.channels[o.row].unit
        if full and abs(o.mean) > OFFSET * full:
            detail = (
                f"The samples{where} are off centre by {100 * abs(o.mean) / full:.0f} % of full scale: they clip early on one side. "
                "Check the sensor's supply and plug."
            )
            found.append(Problem("offset", "note", detail))
        elif unit in GRAVITY and abs(o.mean) > MOST_GRAVITY * GRAVITY[unit]:
            detail = (
                f"The mean{where} is {abs(o.mean):.3g} {unit}, more than gravity can be: scale or zero of the sensor is off. "
                "Lay it flat each way up; it should read one g up and one down."
            )
            found.append(Problem("offset", "note", detail))
    return found


def check_channels(look: Look) -> list[Problem]:
    """Channels that are copies of each other."""
    found = []
    views = [view.overview for view in look.views]
    for k, second in enumerate(views):
        for first in views[:k]:
            stride = max(first.x.size // SOME, 1)
            a, b = first.x[::stride].astype(np.float64), second.x[::stride].astype(np.float64)
            a, b = a - a.mean(), b - b.mean()
            alike = float(a @ b / np.sqrt((a @ a) * (b @ b)))
            if abs(alike) > 1 - SAME:
                names = look.recording.channels
                detail = (
                    f"Channels {names[first.row].name} and {names[second.row].name} are copies: one sensor, not two. "
                    "Two channels add nothing here; check the wiring if there are two sensors."
                )
                found.append(Problem("copies", "note", detail))
    return found
