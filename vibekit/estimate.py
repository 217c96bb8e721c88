"""Shaft speed from the vibration itself: look at several resolutions, choose the comb, follow it, look again along its own speed."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from vibekit.choice import Choice, choose, is_slower_shaft, related
from vibekit.comb import FASTEST_HZ, SLOWEST_HZ, find_combs
from vibekit.frames import Frames, frames_of
from vibekit.lines import Lines, find_lines
from vibekit.phase import follow_phase
from vibekit.ridge import trace
from vibekit.settings import Settings
from vibekit.track import Track
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
Signals = list[npt.NDArray[np.floating]]
TOP_HZ = 5000.0
STEADY_S = (8.0, 2.0)  # frames for a shaft that holds its speed
MOVING_S = 0.5  # frames for one that does not
THERE = 5.0  # evidence from which a look along the comb is worth while
PLAIN = 20.0, 0.9  # evidence and confidence from which no other resolution is tried
ORDER_WEIGHT = {1: 1.0, 2: 1.0, 3: 0.8, 4: 0.8, 5: 0.6, 6: 0.6}  # while the shaft is sought along a ridge
TURNING_COST = 0.5  # of a grid step between frames, while the shaft is sought
REACH = 0.03  # of the speed: how far it is sought about a comb
BLOCKS_S = (0.25, 1.0, 4.0)
COHERENT = 0.5, 0.8  # least and plain coherence of the best order with the angle followed
FOLLOWED = 10  # orders followed at most, the lowest: other lines come close to higher ones
SUPPORTED = 0.35  # part of the typical score below which an end of a ridge holds no shaft
MISSED = 0.3  # standard deviation of a line's frequency in widths, where no phase could be followed


@dataclass(frozen=True, slots=True)
class Estimate:
    """Speed against time, the standard deviation of its mean, and how it was chosen."""

    track: Track
    mean_sd_hz: float
    choice: Choice


@dataclass(frozen=True, slots=True)
class _Look:
    """What one spectrum says: its lines, the comb chosen, and the speed that the frames were read along."""

    lines: Lines
    choice: Choice
    track: Track


@dataclass(frozen=True, slots=True)
class _Search:
    """Where a shaft is sought: channels (n,) at one rate, below top_hz, speeds from low_hz to high_hz; hum: see Lines.hum."""

    signals: Signals
    rate_hz: float
    top_hz: float
    settings: Settings
    low_hz: float
    high_hz: float
    hum: Array

    @property
    def end_s(self) -> float:
        return self.signals[0].size / self.rate_hz

    def frames(self, signals: Signals, seconds: float, spread: tuple[float, float] = (1.0, 1.0)) -> Frames | None:
        """Frames of the signals without the hum, None when they are too short."""
        frames = frames_of(signals, self.rate_hz, self.top_hz, seconds)
        return frames.without(self.hum, spread) if frames and self.hum.size else frames

    def all_frames(self) -> list[Frames]:
        """Frames of each length in STEADY_S, then of MOVING_S, no two alike."""
        found: list[Frames] = []
        for seconds in (*STEADY_S, MOVING_S):
            frames = self.frames(self.signals, seconds)
            if frames and not any(frames.width_hz == other.width_hz for other in found):
                found.append(frames)
        return found

    def look(self, frames: Frames, ridge: Track | None = None) -> list[_Look]:
        """What the frames' average says, read along a ridge if there is one; nothing where no comb fits."""
        mean = ridge.mean_hz if ridge else 1.0
        lines = find_lines(frames, ridge.at(frames.time_s) / mean if ridge else None)
        combs = find_combs(lines, self.settings, self.low_hz, self.high_hz) if lines else []
        if not (lines and combs):
            return []
        choice = choose(combs, self.settings)
        hz = choice.comb.hz
        return [_Look(lines, choice, ridge.times(hz / mean) if ridge else Track.steady(hz, self.end_s))]

    def grid(self) -> Array:
        """Speeds to try: as close as frames resolve, evenly in their logarithm at high speeds."""
        start, stop = np.log(self.low_hz + 30), np.log(self.high_hz + 30)
        return np.asarray(np.exp(np.linspace(start, stop, max(int((stop - start) / 0.005), 60))) - 30)


def estimate_speed(
    transforms: list[Transform], settings: Settings, low_hz: float = SLOWEST_HZ, high_hz: float = FASTEST_HZ
) -> Estimate | None:
    """Best supported shaft speed between two bounds, None when nothing looks like a comb.

    transforms: of the vibration channels
    """
    top = min(TOP_HZ, 0.45 * transforms[0].rate_hz)
    bands = [transform.low_band(top) for transform in transforms]
    signals, rate = [band for band, _ in bands], bands[0][1]
    first = frames_of(signals, rate, top, STEADY_S[0])
    lines = find_lines(first) if first else None
    if lines is None:
        return None
    search = _Search(signals, rate, top, settings, low_hz, high_hz, lines.hum)
    frames = search.all_frames()
    looks = _looks(search, frames)
    if not looks:
        return None
    look = max(looks, key=lambda each: each.choice.evidence)
    look = next((each for each in looks if is_slower_shaft(each.choice.comb, look.choice.comb, settings)), look)
    track, sd = _follow(transforms, look, frames[-1])
    if look.choice.evidence > THERE and 8 * np.ptp(track.hz) * min(search.end_s, STEADY_S[0]) > 1:  # order 8 fills more than one line
        for again in _look_along(search, track):
            factor = again.choice.comb.hz / track.mean_hz
            if again.choice.evidence > look.choice.evidence and (related(factor, 1.0) or abs(factor - 1) < 0.01):
                return Estimate(track.times(factor), sd * factor, again.choice)
    return Estimate(track, sd, look.choice)


def _looks(search: _Search, frames: list[Frames]) -> list[_Look]:
    """Look for a steady shaft until one is plain; else along the ridge too."""
    looks: list[_Look] = []
    for each in frames:
        looks += search.look(each)
        if looks and looks[-1].choice.evidence > PLAIN[0] and looks[-1].choice.confidence > PLAIN[1]:
            return looks
    if frames and frames[-1].time_s.size > 3:
        ridge = _ridge(frames[-1], search.grid(), ORDER_WEIGHT, TURNING_COST)
        for each in frames[-2:]:
            looks += search.look(each, ridge)
    return looks


def _ridge(frames: Frames, grid: Array, weight: dict[int, float], cost: float) -> Track:
    """Track of the best path, without ends where no shaft shows."""
    hz, score = trace(frames, grid, weight, cost, 20)
    calm = np.convolve(score, np.ones(5) / 5, mode="same") if score.size > 10 else score
    held = np.flatnonzero(calm > SUPPORTED * np.median(calm))
    kept = slice(held[0], held[-1] + 1) if held.size > 3 else slice(None)
    return Track(frames.time_s[kept], hz[kept])


def _follow(transforms: list[Transform], look: _Look, moving: Frames) -> tuple[Track, float]:
    """Sharpen the track by the phases of its clear lines; where they cannot be followed, by a ridge close about it."""
    comb, lines = look.choice.comb, look.lines
    clear = np.flatnonzero((comb.found >= 0) & (lines.height_db[comb.found] > lines.visible_db))
    orders = (clear[:FOLLOWED] + 1).tolist()
    if not orders:
        return look.track, MISSED * lines.width_hz
    best, sd, coherence = _phases(transforms, look.track, orders)
    rough = look.track, MISSED * lines.width_hz
    if coherence < COHERENT[1] and np.ptp(look.track.hz) == 0 and moving.time_s.size > 3:
        grid = comb.hz * np.exp(np.linspace(-REACH, REACH, 121))
        ridge = _ridge(moving, grid, dict.fromkeys(orders, 1.0), TURNING_COST / 25)
        rough = ridge, MISSED * moving.width_hz
        other = _phases(transforms, ridge, orders)
        if other[2] > coherence:
            best, sd, coherence = other
    return (best, sd) if coherence > COHERENT[0] else rough


def _phases(transforms: list[Transform], track: Track, orders: list[int]) -> tuple[Track, float, float]:
    """The track corrected by the phases of its orders, the standard deviation of its mean, and the best order's coherence."""
    mean = track.mean_hz
    bands = [transform.low_band(1.2 * max(orders) * float(track.hz.max())) for transform in transforms]
    rate = bands[0][1]
    coarse = track.turns(np.arange(bands[0][0].size) / rate)
    best = (track, 0.0, 0.0)
    for block in BLOCKS_S:
        reach = min(0.45 / block, REACH * mean)
        phase = follow_phase([band for band, _ in bands], rate, coarse, orders, max(block, 4 / mean), reach)
        if phase and phase.coherence > best[2]:
            total = track.turns(phase.time_s) + phase.turns
            middle = (phase.time_s[1:] + phase.time_s[:-1]) / 2
            best = (Track(middle, np.diff(total) / np.diff(phase.time_s)), phase.mean_sd_hz, phase.coherence)
        if best[2] > COHERENT[1]:
            break
    return best


def _look_along(search: _Search, track: Track) -> list[_Look]:
    """Look at the record read at equal shaft angles, so that the comb stands still."""
    coarse = np.arange(0, search.signals[0].size, 64)
    angle = track.turns(coarse / search.rate_hz)
    count = int((angle[-1] - angle[0]) / track.mean_hz * search.rate_hz)
    at = np.interp(angle[0] + np.arange(count) * track.mean_hz / search.rate_hz, angle, coarse)
    still: Signals = [map_coordinates(signal, [at], order=3, mode="nearest", output=np.float32) for signal in search.signals]
    spread = track.mean_hz / float(track.hz.max()), track.mean_hz / float(track.hz.min())
    frames = search.frames(still, STEADY_S[0], spread)
    return search.look(frames) if frames else []
