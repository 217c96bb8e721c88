"""Shaft speed from the vibration itself: look at several resolutions, choose the comb, follow it, look again along its own speed."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from vibekit.choice import Choice, averaged, choose, is_slower_shaft, simple_ratio
from vibekit.comb import FASTEST_HZ, SAME, SLOWEST_HZ, Comb, comb_at, find_combs
from vibekit.following import follow
from vibekit.frames import Frames, frames_of
from vibekit.hum import Hum, beside, find_hum, lines_of
from vibekit.lines import Lines, find_lines
from vibekit.modulation import AS_HIGH_DB, Beneath, clear_below, may_be_race, part_of, rings, shaft_beneath
from vibekit.near_typed import line_near
from vibekit.ridge import ORDER_WEIGHT, ridge
from vibekit.settings import Settings
from vibekit.spacing import shaft_among
from vibekit.steady import hold_steady
from vibekit.sweep import sweep
from vibekit.track import Track
from vibekit.transform import USED, Transform

Array = npt.NDArray[np.float64]
Signals = list[npt.NDArray[np.floating]]
Rivals = tuple[tuple[Comb, float], ...]
TOP_HZ = 5000.0
STEADY_S = (8.0, 2.0)  # frames for a shaft that holds its speed
MOVING_S = 0.5  # frames for one that does not
THERE = 5.0  # evidence from which a look along the comb is worth while
MOVES = 0.2  # of the mean speed: range from which a ridge is a run-up or coast-down of its own
CLOSE = 1.1  # the same, within which a typed speed is sought
ENOUGH = 0.95  # probability of a shaft from which a bare motor's 1x is not sought by itself
WIDE = 2.0  # from the lowest speed to the highest, beyond which other shafts come into question than the one that was typed
UNLIKELY = -5.0  # log odds below which a shaft beneath a faster comb is not mentioned
FREEDOM = 4.0  # evidence that such a ridge must bring beyond a steady comb's, having been fitted to the same record
# evidence that a ridge finds in noise, in the frames it was fitted to: so much for each factor e of frames beyond so many; in longer frames
# no more than a steady look, which hardly reaches the last (counted on white noise, 4 to 160 frames)
FITTED, FOLLOWED, CONFIRMED = 4.0, 9.0, 9.0
PLAIN = 20.0, 0.9  # evidence and confidence from which no other resolution is tried
TURNING_COST = 0.5  # of a grid step between frames, while the shaft is sought


@dataclass(frozen=True, slots=True)
class Estimate:
    """Speed against time, the standard deviation of its mean, how it was chosen, and the probability that a shaft is there at all."""

    track: Track
    mean_sd_hz: float
    choice: Choice
    presence: float


@dataclass(frozen=True, slots=True)
class _Look:
    """What one spectrum says: its lines, the comb chosen, and the speed that the frames were read along."""

    lines: Lines
    choice: Choice
    track: Track

    @property
    def is_plain(self) -> bool:
        return _is_plain(self.choice)

    def less(self, evidence: float) -> "_Look":
        """The same with so much less evidence."""
        return replace(self, choice=replace(self.choice, evidence=self.choice.evidence - evidence))


def _is_plain(choice: Choice) -> bool:
    return choice.evidence > PLAIN[0] and choice.confidence > PLAIN[1]


@dataclass(frozen=True, slots=True)
class _Search:
    """Where a shaft is sought: channels (n,) at one rate, below top_hz, speeds from low_hz to high_hz; hum: see `lines_of`.

    made: frames that are at hand, by their length in s
    """

    signals: Signals
    rate_hz: float
    top_hz: float
    settings: Settings
    low_hz: float
    high_hz: float
    hum: Array
    made: dict[float, Frames | None]

    @property
    def end_s(self) -> float:
        return self.signals[0].size / self.rate_hz

    def frames(self, seconds: float) -> Frames | None:
        """Frames without the hum, None when they are too short."""
        if seconds not in self.made:
            frames = frames_of(self.signals, self.rate_hz, self.top_hz, seconds)
            self.made[seconds] = frames.without(self.hum) if frames else None
        return self.made[seconds]

    def look(self, frames: Frames, along: Track | None = None) -> list[_Look]:
        """What the frames' average says, read along a track if there is one; nothing where no comb fits."""
        return self.look_at(find_lines(frames, along.at(frames.time_s) / along.mean_hz if along else None), along)

    def look_at(self, lines: Lines | None, along: Track | None = None) -> list[_Look]:
        """What lines say."""
        mean = along.mean_hz if along else 1.0
        combs = find_combs(lines, self.settings, self.low_hz, self.high_hz) if lines else []
        if not (lines and combs):
            return []
        choice = choose(combs, self.settings)
        hz = choice.comb.hz
        return [_Look(lines, choice, along.times(hz / mean) if along else Track.steady(hz, self.end_s))]

    def grid(self) -> Array:
        """Speeds to try: as close as frames resolve, evenly in their logarithm at high speeds."""
        start, stop = np.log(self.low_hz + 30), np.log(self.high_hz + 30)
        return np.asarray(np.exp(np.linspace(start, stop, max(int((stop - start) / 0.005), 60))) - 30)


def estimate_speed(
    transforms: list[Transform],
    settings: Settings,
    low_hz: float = SLOWEST_HZ,
    high_hz: float = FASTEST_HZ,
    hums: Sequence[Hum] | None = None,
) -> Estimate | None:
    """Best supported shaft speed between two bounds, None when nothing looks like a comb.

    transforms: of the vibration channels; hums: what stands beside a shaft there, found here when left out
    """
    moved = sweep(transforms, low_hz, high_hz, settings) if settings.test == "run-up" else None
    if moved:
        return Estimate(moved.track, moved.sd * moved.track.mean_hz, moved.choice, moved.presence)
    top = min(TOP_HZ, USED * transforms[0].rate_hz)
    bands = [transform.low_band(top) for transform in transforms]
    signals, rate = [band for band, _ in bands], bands[0][1]
    longest = frames_of(signals, rate, top, STEADY_S[0])
    if longest is None:
        return None
    hum = lines_of(beside(find_hum(transforms), None, 0.0) if hums is None else hums)
    longest = longest.without(hum)
    lines = find_lines(longest)
    if lines is None:
        return None
    search = _Search(signals, rate, top, settings, low_hz, high_hz, hum, {STEADY_S[0]: longest})
    looks = _looks(search, longest, lines)
    if not looks:
        return None
    look = max(looks, key=lambda each: each.choice.evidence + math.log(each.choice.confidence))
    own = [each for each in looks if is_slower_shaft(each.choice.comb, look.choice.comb, settings)]
    look = max(own, key=lambda each: each.choice.evidence, default=look)
    found = _finish(transforms, search, look, looks, longest.width_hz)
    moving = [each for each in looks if np.ptp(each.track.hz) > MOVES * each.track.mean_hz]
    if moving and not any(each is look for each in moving):
        other = _finish(transforms, search, max(moving, key=lambda each: each.choice.evidence), looks, longest.width_hz)
        found = other if other.choice.evidence > found.choice.evidence + FREEDOM else found
    drowned = settings.test in (None, "bare") or (settings.test == "prop" and settings.speed_rpm is None)  # a propeller that is there shows
    if drowned and np.ptp(found.track.hz) < MOVES * found.track.mean_hz:
        found = _among_bearings(transforms, search, lines, found)
    if settings.test == "bare" and settings.speed_rpm is not None and high_hz <= CLOSE * low_hz:
        found = _or_line_near(transforms, search, found)
    return found


def _or_line_near(transforms: list[Transform], search: _Search, found: Estimate) -> Estimate:
    """What was found, or the 1x alone where that is likelier to be the shaft."""
    chance = found.presence * found.choice.confidence
    if chance >= ENOUGH or (frames := search.frames(MOVING_S)) is None:
        return found
    near = line_near(transforms, frames, search.settings, search.low_hz, search.high_hz)
    if near is None or near.chance < chance:
        return found
    return Estimate(near.track, near.mean_sd_hz, Choice(near.comb, near.comb.evidence(), 1.0, ()), near.chance)


def _among_bearings(transforms: list[Transform], search: _Search, lines: Lines, found: Estimate) -> Estimate:
    """Weigh what was found against a shaft whose own lines drown in those of a bearing or of something else that turns.

    A plain comb, lowest of all lines, that falls off below where casings ring is no bearing's: envelopes, which cost most, tell no more.
    """
    settings, low, high, comb = search.settings, search.low_hz, search.high_hz, found.choice.comb
    settled = _is_plain(found.choice) and not rings(comb, within_db=AS_HIGH_DB) and not clear_below(comb, lines)
    beneath = None if settled else shaft_beneath(transforms, lines, settings, comb.hz, low, high)
    found = _against_what_turns_beneath(search, lines, found, beneath)
    if (beneath and beneath.lead >= 0) or high <= WIDE * low:
        return found
    found = _against_what_turns_beneath(search, lines, found, shaft_among(transforms, lines, settings, found.track, low, high))
    if not may_be_race(comb_at(lines, settings, found.choice.comb.hz), lines):
        return found
    return replace(found, choice=replace(found.choice, confidence=found.choice.confidence / 2))  # no shaft shows that would tell


def _against_what_turns_beneath(search: _Search, lines: Lines, found: Estimate, other: Beneath | None) -> Estimate:
    """Weigh what was found against a shaft whose lines stand lower."""
    if other is None or other.lead < UNLIKELY:
        return found
    chance, choice = 1 / (1 + math.exp(-other.lead)), found.choice
    if other.sd_hz is None and abs(other.comb.hz / choice.comb.hz - 1) < SAME:
        found, part = _told_from_parts(found, other, chance)
        if other.lines is lines or part > 1:
            return found
    elif other.lead < 0:
        rivals = ((other.comb, chance), *_shared(choice.rivals, (1 - choice.confidence) * (1 - chance)))
        return replace(found, choice=replace(choice, confidence=choice.confidence * (1 - chance), rivals=rivals))
    else:
        rivals = tuple((comb, part * (1 - chance)) for comb, part in choice.rivals if abs(comb.hz / other.comb.hz - 1) > SAME)
        rivals = ((choice.comb, 1 - chance - sum(part for _, part in rivals)), *rivals)
        found = replace(found, choice=Choice(other.comb, other.comb.evidence(), chance, rivals), presence=1.0)
    track, sd = Track.steady(other.comb.hz, search.end_s), other.sd_hz
    if sd is None:
        track, sd = follow(other.transforms, other.comb, other.lines, track, lambda: None)
    return replace(found, track=track, mean_sd_hz=sd)


def _told_from_parts(found: Estimate, other: Beneath, chance: float) -> tuple[Estimate, int]:
    """What was found, which is with this chance a shaft beneath a faster comb: it, or its half, third ..., and which of these."""
    own, others = [(1, found.choice.comb, found.choice.confidence)], []
    for comb, p in found.choice.rivals:
        part = part_of(comb.hz, found.choice.comb.hz)
        if part in other.over_parts:
            own.append((part, comb, p * math.exp(-other.over_parts[part])))
        else:
            others.append((comb, p))
    sure = max(chance, (1 - sum(p for _, p in others)) * found.presence)
    scale = sure / sum(p for *_, p in own)
    (part, best, p), *rest = sorted(own, key=lambda each: -each[2])
    rivals = (*((comb, scale * p) for _, comb, p in rest), *_shared(tuple(others), 1 - sure))
    choice = Choice(best, best.evidence(), scale * p, rivals)
    return Estimate(found.track.times(1 / part), found.mean_sd_hz / part, choice, 1.0), part


def _shared(rivals: Rivals, most: float) -> Rivals:
    """Rivals, their probabilities scaled so that they add up to no more than this."""
    total = sum(chance for _, chance in rivals)
    return rivals if total <= most else tuple((comb, chance * most / total) for comb, chance in rivals)


def _finish(transforms: list[Transform], search: _Search, look: _Look, looks: list[_Look], width_hz: float) -> Estimate:
    """Sharpen the track of a look; where it moves and the look is not plain, look again along it."""
    choices = [each.choice for each in looks]

    def estimate(track: Track, sd: float, choice: Choice) -> Estimate:
        return Estimate(track, sd, averaged(choice, choices), _presence(choice.evidence, search, width_hz))

    held = hold_steady(transforms, look.choice.comb, look.lines) if np.ptp(look.track.hz) == 0 else None
    if held:
        return estimate(*held, look.choice)
    track, sd = follow(transforms, look.choice.comb, look.lines, look.track, lambda: search.frames(MOVING_S))
    moves = 8 * np.ptp(track.hz) * min(search.end_s, STEADY_S[0]) > 1  # order 8 fills more than one line
    worth = look.choice.evidence > THERE or np.ptp(look.track.hz) > MOVES * look.track.mean_hz
    for again in _look_along(search, track) if moves and worth and not look.is_plain else []:
        factor = simple_ratio(again.choice.comb.hz / track.mean_hz)
        if factor and again.choice.evidence > look.choice.evidence:
            choices.append(again.choice)
            return estimate(track.times(factor), sd * factor, again.choice)
    return estimate(track, sd, look.choice)


def _presence(evidence: float, search: _Search, width_hz: float) -> float:
    """Probability of a shaft from the evidence for the best of many speeds.

    Chance offers as many speeds as lines can be told apart between the bounds, fewer where few orders lie in the band: by trials, noise
    reaches even odds once in ten to thirty records.
    """
    orders = search.top_hz / search.high_hz
    speeds = (search.high_hz - search.low_hz) / width_hz * min(orders / 10, 1.0)
    return 1 / (1 + max(speeds, 1.0) * math.exp(min(-evidence, 500)))


def _looks(search: _Search, longest: Frames, lines: Lines | None) -> list[_Look]:
    """Look for a steady shaft until one is plain; else along the ridge too, until one is on which all agree.

    lines: of the longest frames, where there are enough
    """
    looks = search.look_at(lines)
    used = [longest]
    for seconds in (*STEADY_S[1:], MOVING_S):
        if looks and looks[-1].is_plain:
            return looks
        frames = search.frames(seconds)
        if frames and frames.width_hz > used[-1].width_hz:
            looks += search.look(frames) if seconds in STEADY_S or frames.time_s.size < 4 else []  # the others are read along the ridge
            used.append(frames)
    if used[-1].time_s.size > 3:
        path = ridge(used[-1], search.grid(), ORDER_WEIGHT, TURNING_COST)
        along: list[_Look] = []
        for frames in used[-2:]:
            fitted = frames is used[-1] and not any(each.choice.evidence > CONFIRMED for each in along)
            along = search.look(frames, path) if frames.time_s.size > 3 else []  # fewer follow nothing
            if fitted:
                along = [each.less(FITTED * math.log(max(frames.time_s.size / FOLLOWED, 1.0))) for each in along]
            looks += along
            if looks and looks[-1].is_plain and all(abs(each.choice.comb.hz / looks[-1].choice.comb.hz - 1) < SAME for each in looks):
                break
    return looks


def _look_along(search: _Search, track: Track) -> list[_Look]:
    """Look at the record read at equal shaft angles, so that the comb stands still."""
    coarse = np.arange(0, search.signals[0].size, 64)
    angle = track.turns(coarse / search.rate_hz)
    count = int((angle[-1] - angle[0]) / track.mean_hz * search.rate_hz)
    at = np.interp(angle[0] + np.arange(count) * track.mean_hz / search.rate_hz, angle, coarse)
    still: Signals = [map_coordinates(signal, [at], order=3, mode="nearest", output=np.float32) for signal in search.signals]
    spread = track.mean_hz / float(track.hz.max()), track.mean_hz / float(track.hz.min())
    frames = frames_of(still, search.rate_hz, 0.9 * search.top_hz, STEADY_S[0])
    return search.look(frames.without(search.hum, spread)) if frames else []
