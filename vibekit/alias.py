"""Orders above half the rate of a slow sensor: their amplitude at the alias, by least squares on the true times of the rows.

A motion sensor has a filter of its own. Unless it is stated, what is read at the alias is what that filter left: it may be compared
with other runs of the same sensor at the same speed and is never called the shaft's own amplitude.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.hum import MAINS_HZ
from vibekit.normal import Z95
from vibekit.parabola import vertex
from vibekit.problem import Problem
from vibekit.reading import OrderLine, SpeedResult
from vibekit.recording import Recording
from vibekit.screen.turns import alias_hz
from vibekit.settings import Settings
from vibekit.wording import listed, with_interval

Array = npt.NDArray[np.float64]
APART = 2.0  # reciprocals of the length by which two lines, or a line and its mirror image, must lie apart to be told apart
FINE = 4  # frequencies tried to the reciprocal of the length
BESIDE = 40  # frequencies beside those tried, at which the noise is read
CHANCE = 0.01  # of a line by noise alone
LOUD, HIGHEST = 4, 12  # orders up to LOUD are strong on any rotor, up to HIGHEST they may be
KNOWN = ("typed", "tacho", "telemetry")  # a speed read from the slow sensor itself is below half its rate or wrong
STEADY = 0.02  # range of the speed over its mean, beyond which a line is smeared at its alias


@dataclass(frozen=True, slots=True)
class Folded:
    """One order of a shaft that turns too fast for its sensor.

    hz: its frequency; alias_hz: where it appears; amplitude, u95: peak, behind the sensor's filter, 0 and nan when refused
    could_be: in words, what else would appear there; refused: why no amplitude is given, "" when one is
    """

    order: int
    name: str
    unit: str
    hz: float
    alias_hz: float
    amplitude: float
    u95: float
    could_be: tuple[str, ...] = ()
    refused: str = ""


def folded_orders(recording: Recording, settings: Settings, speed: SpeedResult, part: slice) -> tuple[Folded, ...]:
    """1x, 2x and blade pass, as far as they lie above half the rate: of each the channel in which it is strongest.

    part: samples that are looked at. Empty where the speed is not known from elsewhere or not steady.
    """
    rate = recording.rate_hz
    if speed.rpm is None or speed.method not in KNOWN or speed.rpm_u95 is None:
        return ()
    if speed.rpm_max is not None and speed.rpm_min is not None and speed.rpm_max - speed.rpm_min > STEADY * speed.rpm:
        return ()
    time, rows = _rows(recording, part)
    names = {1: "1x", 2: "2x"} | ({settings.blades: "blade pass"} if settings.blades and settings.test != "bare" else {})
    found = []
    for order, name in sorted(names.items()):
        if order * speed.rpm / 60 >= rate / 2:
            each = [fold(time, x, rate, speed.rpm / 60, speed.rpm_u95 / 60, order, name, unit) for x, unit in rows]
            found.append(max(each, key=lambda folded: folded.amplitude))
    return tuple(found)


def _rows(recording: Recording, part: slice) -> tuple[Array, list[tuple[Array, str]]]:
    """Times and vibration channels with their unit, as they were taken."""
    index, stamp = np.arange(recording.samples.shape[1])[part], recording.stamp_s
    time, samples = index / recording.rate_hz, recording.samples[:, part]
    if recording.taken is not None and stamp is not None:
        taken = recording.taken
        inside = (taken.time_s >= stamp[index[0]]) & (taken.time_s <= stamp[index[-1]])
        time, samples = taken.time_s[inside] - stamp[index[0]], taken.samples[:, inside]
    return time, [(samples[row].astype(np.float64), recording.channels[row].unit) for row in recording.rows("vibration")]


def folded_lines(folded: Sequence[Folded], settings: Settings) -> tuple[OrderLine, ...]:
    """Those whose amplitude the stated filter lets be told; none where no filter is stated."""
    if settings.sensor_filter is None:
        return ()
    lines = []
    for f in folded:
        if not f.refused:
            gain = settings.sensor_filter.gain(f.hz)
            lines.append(OrderLine(float(f.order), f"{f.name} at its alias", f.amplitude / gain, f.u95 / gain, f.unit, f.u95 / gain))
    return tuple(lines)


def folded_problem(folded: Folded, settings: Settings) -> Problem:
    """Say what was read at an alias, what else it could be, and why it is no amplitude of the shaft where it is none."""
    where = f"{folded.name} ({folded.hz:.2f} Hz) appears at {folded.alias_hz:.2f} Hz"
    if folded.refused:
        return Problem("alias", "warning", f"{where}: no amplitude can be given, {folded.refused}. Record at another speed or rate.")
    also = f" It could as well be {listed(folded.could_be).replace(' and ', ' or ')}." if folded.could_be else ""
    reads = with_interval(folded.amplitude, folded.u95, folded.unit)
    if settings.sensor_filter is None:
        rest = "which is not known: compare it only with runs of this sensor at this speed, or state the filter"
        return Problem("alias", "note", f"{where}, {reads} behind the sensor's own filter, {rest}.{also}")
    let = 100 * settings.sensor_filter.gain(folded.hz)
    return Problem("alias", "note", f"{where}, {reads} behind the filter, which lets {let:.0f} % through as stated.{also}")


def fold(time_s: Array, x: Array, rate_hz: float, shaft_hz: float, shaft_u95_hz: float, order: int, name: str, unit: str) -> Folded:
    """Read one order at its alias.

    time_s, x: (n,) rows as they were taken; rate_hz: their mean rate; shaft_hz, shaft_u95_hz: speed with its 95 % half width
    The frequency that fits best within the interval is taken; the noise is that of the frequencies beside (median of the power of a
    fit of noise, which is exponentially distributed: ln 2 of its mean). Variance of an amplitude: 2 noise variance / n (Kay,
    Estimation Theory (1993), example 3.14).
    """
    length = float(time_s[-1] - time_s[0])
    hz, reach = order * shaft_hz, order * shaft_u95_hz
    seen, apart = alias_hz(hz, rate_hz), APART / length
    far = {k: abs(alias_hz(k * shaft_hz, rate_hz) - seen) - k * shaft_u95_hz for k in range(1, HIGHEST + 1) if k != order}
    near = [k for k, hertz in far.items() if hertz < apart + reach]
    mains = [f"mains at {f:g} Hz" for f in (*MAINS_HZ, *(2 * f for f in MAINS_HZ)) if abs(alias_hz(f, rate_hz) - seen) < apart + reach]
    could_be = (*(f"{k}x" for k in near if k > LOUD), *mains)
    loud = [f"{k}x" for k in near if k <= LOUD]
    if min(seen, rate_hz / 2 - seen) < apart + reach:
        return Folded(order, name, unit, hz, seen, 0.0, math.nan, could_be, "it folds onto its own mirror image there")
    if loud:
        there = f"{' and '.join(loud)} appear{'s' * (len(loud) == 1)} at the same place"
        return Folded(order, name, unit, hz, seen, 0.0, math.nan, could_be, there)
    x = x - x.mean()
    steps = int(np.ceil(reach * length * FINE)) + 1
    tried = hz + np.arange(-steps, steps + 1) / (FINE * length)
    found = _top(tried, np.abs(_fits(time_s, x, tried)))
    wave = _fits(time_s, x, np.array([found]))[0]
    rest = x - np.real(wave * np.exp(2j * np.pi * found * time_s))
    offset = np.arange(APART, APART + BESIDE / FINE, 1 / FINE) / length
    beside = _fits(time_s, rest, np.concatenate([found - offset, found + offset]))
    noise = float(np.median(np.abs(beside) ** 2)) / math.log(2)
    if abs(wave) ** 2 < noise * math.log(2 * steps / CHANCE):
        return Folded(order, name, unit, hz, seen, 0.0, math.nan, could_be, f"no line stands out of the noise ({math.sqrt(noise):.2g})")
    amplitude = math.sqrt(abs(wave) ** 2 - noise / 2)
    return Folded(order, name, unit, found, alias_hz(found, rate_hz), amplitude, Z95 * math.sqrt(noise / 2), could_be)


def _fits(time_s: Array, x: Array, hz: Array) -> npt.NDArray[np.complex128]:
    """Complex amplitude of the sine of each frequency (m,) that fits best, by least squares, a mean taken out with it."""
    found = np.empty(len(hz), complex)
    for i, each in enumerate(hz):
        wave = np.exp(2j * np.pi * each * time_s)
        columns = np.column_stack([wave.real, wave.imag, np.ones_like(time_s)])
        a, b, _ = np.linalg.solve(columns.T @ columns, columns.T @ x)
        found[i] = a - 1j * b
    return found


def _top(hz: Array, height: Array) -> float:
    """Frequency at the top of the parabola through the highest of evenly spaced points and its neighbours, held inside them."""
    top = int(np.argmax(height[1:-1])) + 1
    left, middle, right = height[top - 1 : top + 2]
    offset = float(np.clip(vertex(left, middle, right), -1, 1))
    return float(hz[top] + offset * (hz[1] - hz[0]))
