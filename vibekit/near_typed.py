"""A bare motor's 1x near a typed speed: often its only line, and one that wanders, so that a whole comb's evidence stays small."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.comb import SLOWEST_HZ, Comb, comb_at
from vibekit.following import FEW_TURNS, SHORTEST_S, follow
from vibekit.frames import Frames
from vibekit.lines import NOISE_DB, Lines, find_lines
from vibekit.ridge import ORDER_WEIGHT, ridge
from vibekit.settings import Settings
from vibekit.track import Track
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
FEWEST = 4  # frames: fewer follow nothing
STEP = 5e-4  # of the speed, between those tried
TURNING_COST = 0.1  # of such a step between frames
SHOWS = 0.5  # chance that a bare motor's 1x stands as high as its highest other lines (common practice, no source)
SLOWER = (2, 3, 4)  # a higher line at such a part of the speed makes this one its multiple
WORTH = 2e-3  # of the speed: standard deviation from which a line that was not followed tells little more than what was typed
WIDTHS = 0.6  # of a line: how far it stands from where it is looked for


@dataclass(frozen=True, slots=True)
class Near:
    """Speed against time, the standard deviation of its mean in Hz, its comb, and the probability that it is the shaft."""

    track: Track
    mean_sd_hz: float
    comb: Comb
    chance: float


def line_near(transforms: list[Transform], frames: Frames, settings: Settings, low_hz: float, high_hz: float) -> Near | None:
    """The 1x that stands alone between two close bounds, None when none does, or another line may be it as well.

    frames: short ones, without hum
    A shaft is there by assumption, so chance is what puts a line of something else between the bounds. Such lines are taken to lie evenly
    over the logarithm of frequency; as many count as stand as high and belong to no order of this speed.
    """
    if frames.time_s.size < FEWEST:
        return None
    count = int(math.log(high_hz / low_hz) / STEP) + 1
    path = ridge(frames, np.geomspace(low_hz, high_hz, count), ORDER_WEIGHT, TURNING_COST)
    lines = find_lines(frames, path.at(frames.time_s) / path.mean_hz)
    if lines is None:
        return None
    comb = comb_at(lines, settings, path.mean_hz)
    own = int(comb.found[0])
    if own < 0 or lines.height_db[own] < lines.visible_db + NOISE_DB:
        return None
    hz = float(lines.frequency[own])
    if not low_hz < hz < high_hz or not lines.is_alone(np.array([hz]), high_hz - low_hz)[0]:
        return None
    higher = lines.frequency[lines.rank < lines.rank[own]]
    near = WIDTHS * lines.width_hz
    if any(np.any(np.abs(higher - hz / part) < near) for part in SLOWER):
        return None
    others = higher[np.abs(higher - np.rint(higher / hz) * hz) > near]
    odds = math.log(high_hz / low_hz) / math.log(lines.top_hz / SLOWEST_HZ) * (others.size + 0.5) / SHOWS
    track, sd = follow(transforms, comb, lines, path, lambda: None)
    sd = math.hypot(sd, _ends_hz(track, lines, own))
    return Near(track, sd, comb, 1 / (1 + odds)) if sd < WORTH * hz else None


def _ends_hz(track: Track, lines: Lines, own: int) -> float:
    """Standard deviation, Hz, that the ends of a record put on the mean speed where one line alone tells it.

    Its phase there is known from the shortest blocks, 1 / sqrt(2 power ratio) rad each (Rife & Boorstyn 1974), and over half a block that
    holds one the speed goes on as it was, while it may change by what it does elsewhere.
    """
    high = 10 ** (lines.height_db[own] / 10) * lines.width_hz * FEW_TURNS / track.mean_hz
    record, half = float(track.time_s[-1] - track.time_s[0]), SHORTEST_S / 2
    time = np.arange(float(track.time_s[0]), float(track.time_s[-1]) - half, half)
    missed = float(np.sqrt(np.mean((track.at(time + half) - track.at(time)) ** 2))) * half / 2 if time.size else 0.0
    return math.sqrt(2) * math.hypot(1 / (2 * math.pi * math.sqrt(2 * high)), missed) / record
