"""Shaft speed against time: from tacho pulses, a telemetry column, a typed value, or the signal itself."""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vibekit.estimate import Estimate, estimate_speed
from vibekit.reading import SpeedMethod, SpeedResult
from vibekit.recording import Recording
from vibekit.settings import Settings
from vibekit.tacho import read_pulses
from vibekit.track import Track
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
CLOCK = 1e-4  # relative tolerance of an uncalibrated sound card's or phone's clock
TYPED_REACH = 0.03  # a typed speed may be this far from the true one
CONTRADICTION = 0.0125  # farther from what was typed than a speed set by hand comes (common practice, no source)
SLOWER = 0.9  # of the typed speed: a comb below it is no bearing's and no order's
CLAIMED = 0.75  # confidence from which a speed is claimed
MENTIONED = 0.05  # probability from which a speed that was not claimed is named
SURE = 0.9  # confidence from which a recording may contradict what was typed


@dataclass(frozen=True, slots=True)
class SpeedTrack(Track):
    """Shaft speed against time, straight lines between.

    time_s: (n,) seconds after the first sample of the part looked at, ascending; hz: (n,) turns a second
    u95_hz: half width of the 95 % interval of the mean speed, the clock's tolerance included
    confidence: probability, 0 to 1, that this is the shaft and not a multiple or a part of it, or something else
    rivals: other speeds in Hz with their probability, most probable first
    rotors: mean speed in Hz of each rotor told apart in flight, with the half width of its 95 % interval
    typed_rpm: what was typed; contradiction: in words, when the recording says otherwise
    missed, doubled: tacho pulses put in and taken out
    """

    method: SpeedMethod
    u95_hz: float
    confidence: float = 1.0
    rivals: tuple[tuple[float, float], ...] = ()
    rotors: tuple[tuple[float, float], ...] = ()
    typed_rpm: float | None = None
    contradiction: str | None = None
    missed: int = 0
    doubled: int = 0

    @property
    def result(self) -> SpeedResult:
        """The speed as a reading states it: near a typed one, what the recording shows; as typed where it shows nothing."""
        named = [(60 * self.mean_hz, self.confidence), *((60 * hz, chance) for hz, chance in self.rivals)]
        candidates = tuple(each for each in named if each[1] >= MENTIONED) if self.rivals and self.typed_rpm is None else ()
        if not self.is_claimed:
            return SpeedResult("none", candidates=candidates)
        rotors = tuple((60 * hz, 60 * u95) for hz, u95 in self.rotors)
        open_ones = candidates if len(candidates) > 1 else ()
        rpm, u95, slowest, fastest = (60 * float(hz) for hz in (self.mean_hz, self.u95_hz, self.hz.min(), self.hz.max()))
        return SpeedResult(self.method, rpm, u95, slowest, fastest, open_ones, rotors)

    @property
    def is_claimed(self) -> bool:
        """Sure enough to name orders by; a typed speed always is."""
        return self.method != "estimated" or self.confidence >= CLAIMED


def find_speed(
    recording: Recording, settings: Settings, part: slice | None = None, transforms: list[Transform] | None = None
) -> SpeedTrack | None:
    """Shaft speed over a recording or a part of it, None when none can be claimed. Arguments as for `seek_speed`."""
    track = seek_speed(recording, settings, part, transforms)
    return track if track and track.is_claimed else None


def seek_speed(
    recording: Recording, settings: Settings, part: slice | None = None, transforms: list[Transform] | None = None
) -> SpeedTrack | None:
    """Likeliest shaft speed over a recording or a part of it, claimed or not, with its rivals; None when nothing looks like one.

    part: samples to look at; times of the track count from its first sample
    transforms: of the vibration channels over that part, where they are at hand; made here when left out
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
        track = _from_telemetry(samples[row], rate, recording.channels[row].unit, clock)
        if track:
            return track
    if transforms is None:
        transforms = [Transform.of(samples[row], rate) for row in recording.rows("vibration")]
    moving = settings.test == "run-up"  # no one speed could be typed
    if settings.speed_rpm is not None and not moving:
        return _from_typed(transforms, settings, settings.speed_rpm, clock)
    found = estimate_speed(transforms, settings) if transforms else None
    return _estimated(found, clock) if found else None


def _from_tacho(voltage: npt.NDArray[np.floating], rate: float, clock: float) -> SpeedTrack | None:
    pulses = read_pulses(voltage, rate)
    if pulses is None:
        return None
    track = Track.through(pulses.time_s, np.arange(pulses.time_s.size, dtype=np.float64))
    span = float(pulses.time_s[-1] - pulses.time_s[0])
    mean = (pulses.time_s.size - 1) / span
    u95 = np.hypot(1.96 * np.sqrt(2) * pulses.jitter_s / span, clock) * mean
    return SpeedTrack(track.time_s, track.hz, "tacho", float(u95), missed=pulses.missed, doubled=pulses.doubled)


def _from_telemetry(column: npt.NDArray[np.floating], rate: float, unit: str, clock: float) -> SpeedTrack | None:
    """A column that repeats each reading until the next: the first sample of each reading is kept."""
    hz = column.astype(np.float64) / (60.0 if unit == "rpm" else 1.0)
    usable = np.flatnonzero(np.isfinite(hz) & (hz > 0))
    if usable.size < 2:
        return None
    fresh = np.concatenate(([True], np.diff(hz[usable]) != 0))
    fresh[-1] = True
    at = usable[fresh]
    time, hz = at / rate, hz[at]
    noise = np.sqrt(np.mean(np.diff(hz, 2) ** 2) / 6) if hz.size > 2 else 0.0  # 1, -2, 1 squared sum to 6
    steps = np.abs(np.diff(hz))
    rounding = float(np.min(steps[steps > 0], initial=np.inf)) / np.sqrt(12)
    u95 = 1.96 * max(noise / np.sqrt(hz.size), rounding if np.isfinite(rounding) else 0.0)
    return SpeedTrack(time, hz, "telemetry", float(np.hypot(u95, clock * hz.mean())))


def _from_typed(transforms: list[Transform], settings: Settings, rpm: float, clock: float) -> SpeedTrack:
    """Find the true speed near the typed one; where nothing shows there, take it as typed and say what shows elsewhere."""
    typed = rpm / 60
    found = estimate_speed(transforms, settings, typed * (1 - TYPED_REACH), typed * (1 + TYPED_REACH)) if transforms else None
    near = _estimated(found, clock) if found else None
    if near and near.confidence >= 0.5:
        away = near.confidence >= SURE and abs(near.mean_hz / typed - 1) > CONTRADICTION
        runs = 60 * near.mean_hz
        unsure = (1 - near.confidence) * TYPED_REACH * typed  # if it is not the shaft, the shaft is anywhere near what was typed
        near = replace(near, u95_hz=max(near.u95_hz, unsure))
    else:
        end = transforms[0].n / transforms[0].rate_hz if transforms else 1.0
        flat = Track.steady(typed, end)
        near = SpeedTrack(flat.time_s, flat.hz, "typed", TYPED_REACH * typed, confidence=0.5)
        found = estimate_speed(transforms, settings) if transforms else None
        other = _estimated(found, clock) if found else None
        away = bool(other and other.confidence >= SURE and other.mean_hz < SLOWER * typed)
        runs = 60 * other.mean_hz if other else 0.0
    contradiction = f"typed {rpm:.0f} rpm, the recording runs at {runs:.0f}" if away else None
    return replace(near, method="typed", typed_rpm=rpm, contradiction=contradiction)


def _estimated(found: Estimate, clock: float) -> SpeedTrack:
    track, choice = found.track, found.choice
    u95 = math.hypot(1.96 * found.mean_sd_hz, clock * track.mean_hz)
    rivals = tuple((comb.hz, chance * found.presence) for comb, chance in choice.rivals if chance * found.presence > 0.01)
    return SpeedTrack(track.time_s, track.hz, "estimated", u95, choice.confidence * found.presence, rivals)
