"""Shaft speed against time: from tacho pulses, a telemetry column, a typed value, or the signal itself."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vibekit.comb import Candidate, candidates
from vibekit.lines import find_lines
from vibekit.reading import SpeedMethod, SpeedResult
from vibekit.recording import Recording
from vibekit.settings import Settings
from vibekit.tacho import read_pulses, speed_at_pulses
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
CLOCK = 1e-4  # relative tolerance of an uncalibrated sound card's or phone's clock
TYPED_REACH = 0.03  # a typed speed may be this far from the true one
CONTRADICTION = 0.005
SEGMENTS_S = (8.0, 2.0, 0.5)  # a steady shaft is seen best in the longest, a wandering one in a shorter
SURE = 5.0  # log of the likelihood ratio against "no shaft" from which a speed is claimed


@dataclass(frozen=True, slots=True)
class SpeedTrack:
    """Shaft speed against time.

    time_s: (n,) seconds after the first sample of the part looked at, ascending; hz: (n,) turns a second, straight lines between
    u95_hz: half width of the 95 % interval of the mean speed, the clock's tolerance included
    confidence: probability, 0 to 1, that this is the shaft and not a multiple or a part of it, or something else
    rivals: other speeds in Hz with their probability, most probable first
    typed_rpm: what was typed; contradiction: in words, when the recording says otherwise
    missed, doubled: tacho pulses put in and taken out
    """

    time_s: Array
    hz: Array
    method: SpeedMethod
    u95_hz: float
    confidence: float = 1.0
    rivals: tuple[tuple[float, float], ...] = ()
    typed_rpm: float | None = None
    contradiction: str | None = None
    missed: int = 0
    doubled: int = 0

    @property
    def mean_hz(self) -> float:
        """Mean speed over the track, turns a second."""
        if self.time_s.size < 2:
            return float(self.hz.mean())
        return float(np.trapezoid(self.hz, self.time_s) / (self.time_s[-1] - self.time_s[0]))

    def turns(self, at_s: npt.ArrayLike) -> Array:
        """Revolutions since the start of the track, at any times (same shape); before and after it the end speeds go on."""
        at = np.asarray(at_s, dtype=np.float64)
        if self.time_s.size < 2:
            return np.asarray((at - self.time_s[0]) * self.hz[0])
        step = np.diff(self.time_s)
        whole = np.concatenate(([0.0], np.cumsum(step * (self.hz[1:] + self.hz[:-1]) / 2)))
        i = np.clip(np.searchsorted(self.time_s, at, side="right") - 1, 0, step.size - 1)
        since = at - self.time_s[i]
        inside = np.clip(since, 0, step[i])
        slope = (self.hz[i + 1] - self.hz[i]) / step[i]
        outside = np.where(since < 0, self.hz[0], self.hz[-1]) * (since - inside)
        return np.asarray(whole[i] + self.hz[i] * inside + slope * inside**2 / 2 + outside)

    @property
    def result(self) -> SpeedResult:
        """The speed as a reading states it; a typed speed stands as typed."""
        rpm = self.typed_rpm if self.typed_rpm is not None else 60 * self.mean_hz
        return SpeedResult(self.method, rpm, 60 * self.u95_hz, 60 * float(self.hz.min()), 60 * float(self.hz.max()))


def find_speed(recording: Recording, settings: Settings, part: slice | None = None) -> SpeedTrack | None:
    """Shaft speed over a recording or a part of it, None when none can be claimed.

    part: samples to look at; times of the track count from its first sample
    Sources in this order: a tacho channel, a telemetry column, `settings.speed_rpm`, the vibration channels.
    """
    samples = recording.samples[:, part or slice(None)]
    rate = recording.rate_hz
    clock = max(CLOCK, recording.rate_u95_hz / rate)
    for row in recording.rows("tacho"):
        track = _from_tacho(samples[row], rate, clock)
        if track:
            return track
    for row in recording.rows("telemetry"):
        track = _from_telemetry(samples[row], rate, recording.channels[row].unit)
        if track:
            return track
    signals = [samples[row] for row in recording.rows("vibration")]
    if settings.speed_rpm is not None:
        return _from_typed(signals, rate, settings, settings.speed_rpm, clock)
    found = _estimate(signals, rate, settings, clock)
    return found if found and found.confidence >= 0.5 else None


def _from_tacho(voltage: npt.NDArray[np.floating], rate: float, clock: float) -> SpeedTrack | None:
    pulses = read_pulses(voltage, rate)
    if pulses is None:
        return None
    time, hz = speed_at_pulses(pulses.time_s)
    span = pulses.time_s[-1] - pulses.time_s[0]
    mean = (pulses.time_s.size - 1) / span
    random = mean * np.sqrt(2) * pulses.jitter_s / span
    u95 = float(np.hypot(1.96 * random, clock * mean))
    return SpeedTrack(time, hz, "tacho", u95, missed=pulses.missed, doubled=pulses.doubled)


def _from_telemetry(column: npt.NDArray[np.floating], rate: float, unit: str) -> SpeedTrack | None:
    hz = column.astype(np.float64) / (60.0 if unit == "rpm" else 1.0)
    usable = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    if usable.size < 2:
        return None
    changed = usable[np.concatenate(([True], np.diff(hz[usable]) != 0))]  # a value held over many samples is one reading
    knots = np.unique(np.concatenate((usable[:1], changed, usable[-1:])))
    time, hz = knots / rate, hz[knots]
    uneven = np.diff(hz, 2) if hz.size > 2 else np.zeros(1)
    noise = float(np.sqrt(np.mean(uneven**2) / 6))  # 1, -2, 1 squared sum to 6
    step = float(np.min(np.abs(np.diff(hz))[np.diff(hz) != 0], initial=np.inf))
    rounding = step / np.sqrt(12) if np.isfinite(step) else 0.0
    u95 = 1.96 * max(noise / np.sqrt(hz.size), rounding)
    return SpeedTrack(time, hz, "telemetry", float(np.hypot(u95, CLOCK * hz.mean())))


def _from_typed(signals: list[npt.NDArray[np.floating]], rate: float, settings: Settings, rpm: float, clock: float) -> SpeedTrack:
    typed = rpm / 60
    near = _estimate(signals, rate, settings, clock, typed * (1 - TYPED_REACH), typed * (1 + TYPED_REACH))
    if near is None:
        end = (signals[0].size - 1) / rate if signals else 1.0
        near = SpeedTrack(np.array([0.0, end]), np.full(2, typed), "typed", TYPED_REACH * typed, confidence=0.5)
    contradiction = None
    if abs(near.mean_hz / typed - 1) > CONTRADICTION:
        contradiction = f"typed {rpm:.0f} rpm, the recording runs at {60 * near.mean_hz:.0f}"
    return replace(near, method="typed", typed_rpm=rpm, rivals=(), contradiction=contradiction)


def _estimate(
    signals: list[npt.NDArray[np.floating]],
    rate: float,
    settings: Settings,
    clock: float,
    low_hz: float | None = None,
    high_hz: float | None = None,
) -> SpeedTrack | None:
    if not signals or signals[0].size < 256:
        return None
    low, high = low_hz or 5.0, high_hz or 1000.0
    top = min(3.0 * 1000.0, rate / 2.05)
    bands = [Transform.of(signal, rate).low_band(top) for signal in signals]
    rate = bands[0][1]
    top = min(top, rate / 2.05)
    best: list[Candidate] = []
    for seconds in SEGMENTS_S:
        lines = find_lines([band for band, _ in bands], rate, seconds, top)
        found = candidates(lines, settings, low, high) if lines else []
        if found and (not best or found[0].evidence > best[0].evidence):
            best = found
    if not best or best[0].evidence < SURE:
        return None
    weight = np.exp(np.array([c.evidence for c in best]) - best[0].evidence)
    chance = weight / (weight.sum() + np.exp(SURE / 2 - best[0].evidence))
    end = signals[0].size / rate
    first = best[0]
    u95 = float(np.hypot(clock * first.hz, 1e-3 * first.hz))
    rivals = tuple((c.hz, float(p)) for c, p in zip(best[1:], chance[1:], strict=True) if p > 0.02)
    end = (bands[0][0].size - 1) / rate
    return SpeedTrack(np.array([0.0, end]), np.full(2, first.hz), "estimated", u95, float(chance[0]), rivals)
