"""The path of a comb through a run-up or coast-down, however fast and however quiet at its slow end: a search in speed and acceleration.

Within a frame a shaft that speeds up smears each order over many bins, the faster the slower it turns. Turned back by the rate at which the
order moves, it is one line again (dechirping; S. Mann and S. Haykin, IEEE Trans. Signal Process. 43 (1995) 2745-2761). Order k moves k
times as fast as the shaft, so a comb in frequency and rate belongs to each speed and acceleration. A rotor has inertia: its acceleration
changes little from frame to frame, and the best path through both goes on where the orders fade into the noise.
"""

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from scipy.ndimage import median_filter, uniform_filter1d
from scipy.special import ndtr, ndtri

from vibekit.choice import FURTHEST, Choice
from vibekit.comb import HIGHEST_ORDER, Comb
from vibekit.order_comb import order_comb
from vibekit.parabola import held_vertex
from vibekit.ridge import LOUDEST, ORDER_WEIGHT, best_path
from vibekit.settings import Settings
from vibekit.track import Track
from vibekit.transform import USED, Transform
from vibekit.window import window_samples

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Grey = npt.NDArray[np.float32]
FRAME_S, HOP_S = 0.4, 0.1
MOST_FRAMES = 150
TOP_HZ = 2000.0
RATE_STEP = 4.0  # of rates tried, over the frame's length squared: a line then loses less than a decibel
FASTEST = 200.0  # acceleration, Hz a second
STEP_A = 6.0  # of accelerations
STEP_F, EVEN_HZ = 0.004, 60.0  # of speeds: relative above EVEN_HZ, in Hz below
TURNS_COST, STRAYS_COST = 2.0, 0.5  # of a step in acceleration and in speed, from frame to frame
PADDING = 2
MEDIAN = 41  # bins of the noise's spectrum
TINY = np.float32(1e-30)
REACH, FINER, FINE_COST = 0.06, 0.001, 0.1  # of a path sharpened, relative, and of a step between frames
CALM, TURNS = 7, 1.5  # frames, and their mean score, below which nothing turns; noise alone reaches it as often as not
LEAD, SURER = 1.0, 10.0  # score a frame over that of frames in disorder, of even odds for a shaft, and how it grows sure; noise: 0.4
RATIOS = (1 / 5, 1 / 4, 1 / 3, 1 / 2, 2 / 3, 1.0, 3 / 2, 2.0, 3.0)  # of the path, that the shaft may turn
APART = 4.0  # bins of a frame between two orders of a comb
FEWEST = 8  # frames
QUIET = 0.5963, 0.4198  # mean and standard deviation of log(1 + p), p exponential of mean 1
OFF = 0.1  # of the speed, by which all of a path may be off where it is faint: a mode's ring may lead it astray there
ALIKE = 4.0  # frames that share half their samples or more


@dataclass(frozen=True, slots=True)
class Sweep:
    """A run-up or coast-down.

    track: speed against time, sd: relative standard deviation of its mean; presence: probability that a shaft made it and not chance
    choice: which multiple of the path it is, and how surely
    """

    track: Track
    sd: float
    presence: float
    choice: Choice


def sweep(transforms: list[Transform], low_hz: float, high_hz: float, settings: Settings) -> Sweep | None:
    """Speed against time of the comb that goes on from frame to frame most surely, without ends where nothing turns; None if too short.

    transforms: of the channels; low_hz, high_hz: bounds of the speed
    """
    hz = np.exp(np.arange(np.log(low_hz + EVEN_HZ), np.log(high_hz + EVEN_HZ), STEP_F)) - EVEN_HZ
    acceleration = np.arange(-FASTEST, FASTEST + STEP_A / 2, STEP_A)
    frames = _Frames.of(transforms)
    if frames.time_s.size < FEWEST:
        return None
    rates = frames.rates(max(ORDER_WEIGHT) * FASTEST)
    score = np.zeros((frames.time_s.size, acceleration.size, hz.size), np.float32)
    where, back = [], frames.back(rates)
    for each, share in ORDER_WEIGHT.items():
        column = np.rint(each * hz / frames.step_hz).astype(np.intp)
        row = np.abs(rates[:, None] - each * acceleration).argmin(axis=0)
        where.append((row[:, None], column[column < frames.floor[0].shape[1]], np.float32(share)))
    for i in range(frames.time_s.size):
        grey = np.minimum(frames.loudness(i, back), np.float32(LOUDEST))
        grey -= grey.mean()
        for row, column, weight in where:
            score[i, :, : column.size] += weight * grey[row, column]
    hop = float(frames.time_s[1] - frames.time_s[0])
    total, path_a, path_f = _best_path(score, acceleration, hz, hop)
    order = np.random.default_rng(0).permutation(len(score))[: max(len(score) // 2, FEWEST)]
    lead: float = total / len(score) - _best_path(score[order], acceleration, hz, hop)[0] / order.size  # the same lines that do not go on
    calm = uniform_filter1d(score[np.arange(len(score)), path_a, path_f].astype(np.float64), CALM, mode="nearest")
    quiet, middle = np.flatnonzero(calm < TURNS), int(calm.argmax())
    held = slice(int(max(quiet[quiet < middle], default=-1)) + 1, int(min(quiet[quiet > middle], default=calm.size)))
    frames, moves = frames.part(held), uniform_filter1d(acceleration[path_a][held], 5, mode="nearest")
    fine = frames.finer(moves, hz[path_f][held])
    combs = [_comb(frames, fine, moves, ratio, settings) for ratio in RATIOS if ratio == 1 or low_hz < ratio * fine.mean() < high_hz]
    best = max(combs, key=lambda comb: comb.evidence())
    odds = np.exp([-max(best.lead(comb), FURTHEST) for comb in combs])
    rivals = sorted(((comb, float(part / odds.sum())) for comb, part in zip(combs, odds, strict=True)), key=lambda pair: -pair[1])
    choice = Choice(best, best.evidence(), rivals[0][1], tuple(rivals[1:]))
    ratio = best.hz / fine.mean()
    rough = np.diff(fine, 2) / fine[1:-1]
    random = float(np.sqrt(ALIKE * np.mean(rough**2) / 6 / fine.size)) if rough.size else 1.0
    faint = calm[held] < calm.max() / 2
    sd = math.hypot(random, OFF * float(fine[faint].sum() / fine.sum()))
    return Sweep(_to_the_ends(frames, fine * ratio, moves * ratio), sd, 1 / (1 + math.exp(-SURER * (lead - LEAD))), choice)


def _to_the_ends(frames: "_Frames", hz: Array, acceleration: Array) -> Track:
    """Carry a path on to the ends of its first and last frame at the acceleration there, by no more than half."""
    half = -frames.at_s[0]
    first = np.clip(hz[0] - half * acceleration[0], hz[0] / 2, 2 * hz[0])
    last = np.clip(hz[-1] + half * acceleration[-1], hz[-1] / 2, 2 * hz[-1])
    return Track(
        np.concatenate(([frames.time_s[0] - half], frames.time_s, [frames.time_s[-1] + half])), np.concatenate(([first], hz, [last]))
    )


def _comb(frames: "_Frames", hz: Array, acceleration: Array, ratio: float, settings: Settings) -> Comb:
    """The comb of a multiple of the path, weighed as in `vibekit.comb`; how rarely noise makes a line is known from the noise itself."""
    use = ratio * hz > APART / FRAME_S
    use = use if use.sum() > FEWEST else np.ones(hz.size, bool)
    use[1::2] = False  # neighbours share three quarters of their samples
    count = int(min(HIGHEST_ORDER, frames.top_hz / (ratio * float(hz[use].max()))))
    order = ratio * np.arange(1.0, count + 1)
    power = np.array([frames.along(i, order, float(hz[i]), float(acceleration[i])) for i in np.flatnonzero(use).tolist()]).reshape(
        int(use.sum()), count
    )
    independent = max(float(use.sum()), 2.0)
    loud = np.log1p(power).mean(axis=0)
    chance = np.maximum(ndtr(-(loud - QUIET[0]) / QUIET[1] * np.sqrt(independent)), 1e-12)
    visible = 10 * np.log10(-ndtri(0.01) / np.sqrt(independent))
    height = 10 * np.log10(np.maximum(power.mean(axis=0) - 1, 0.01))
    return order_comb(ratio * float(hz.mean()), height, chance, float(visible), settings)


@dataclass(frozen=True, slots=True)
class _Frames:
    """Pieces of a record, Hann window. time_s: (frames,) middle of each; step_hz: distance of two bins; at_s: (n,) from the middle.

    pieces, floor: of each channel, (frames, n) samples and (frames, bins) power of its noise
    """

    time_s: Array
    step_hz: float
    at_s: Array
    pieces: list[Grey]
    floor: list[Grey]

    @classmethod
    def of(cls, transforms: list[Transform]) -> "_Frames":
        """Noise: what half the time is below, bin by bin, so that no line that moves is in it, at the loudness of each frame."""
        bands = [transform.low_band(min(TOP_HZ, USED * transform.rate_hz)) for transform in transforms]
        n, rate_hz = bands[0][0].size, bands[0][1]
        length = min(int(FRAME_S * rate_hz), n)
        count = int(np.clip((n - length) / (HOP_S * rate_hz) + 1, 1, MOST_FRAMES))
        starts = np.linspace(0, n - length, count).astype(np.intp)
        padded: int = sfft.next_fast_len(PADDING * length)
        bins = int(min(TOP_HZ, USED * rate_hz) / rate_hz * padded)
        window = window_samples("hann", length).astype(np.float32)
        pieces, floor = [], []
        for signal, _ in bands:
            loudest = float(np.abs(signal).max()) or 1.0  # no gain leaves the range of float32
            piece: Grey = np.stack([signal[start : start + length] for start in starts.tolist()]).astype(np.float32) / loudest * window
            power = np.abs(sfft.rfft(piece, padded, axis=1)[:, :bins]) ** 2
            under = median_filter(np.median(power, axis=0), MEDIAN) + TINY
            pieces.append(piece)
            floor.append(np.maximum(under * np.median(power / under, axis=1, keepdims=True), TINY))
        middle = (length - 1) / 2
        at: Array = (np.arange(float(length)) - middle) / rate_hz
        return cls(np.asarray((starts + middle) / rate_hz), rate_hz / padded, at, pieces, floor)

    @property
    def top_hz(self) -> float:
        """Highest frequency looked at."""
        return float(self.step_hz * (self.floor[0].shape[1] - 1))

    def part(self, held: slice) -> "_Frames":
        """Some of the frames."""
        return replace(self, time_s=self.time_s[held], pieces=[p[held] for p in self.pieces], floor=[f[held] for f in self.floor])

    def along(self, i: int, order: Array, hz: float, acceleration: float) -> Array:
        """Power over the noise of frame i at some orders (k,) of a speed, each turned back by the rate at which it moves."""
        wave = np.exp(-2j * np.pi * order[:, None] * (hz * self.at_s + acceleration * self.at_s**2 / 2))
        column = np.rint(order * hz / self.step_hz).astype(np.intp)
        power = sum(np.abs(wave @ piece[i]) ** 2 / floor[i][column] for piece, floor in zip(self.pieces, self.floor, strict=True))
        return np.asarray(math.log(2) * power / len(self.pieces))  # the floor is the median of noise, ln 2 of its mean

    def rates(self, fastest: float) -> Array:
        """Rates of change in Hz a second, up to `fastest` either way, as close as a frame tells apart."""
        step = RATE_STEP * (2 * self.at_s[-1]) ** -2
        count = int(fastest / step)
        return np.asarray(np.arange(-count, count + 1) * step)

    def back(self, rates: Array) -> npt.NDArray[np.complex64]:
        """What turns a frame back by each rate of change, (rates, n)."""
        return np.asarray(np.exp(-1j * np.pi * rates[:, None] * self.at_s**2), dtype=np.complex64)

    def loudness(self, i: int, back: npt.NDArray[np.complex64]) -> Grey:
        """Log of the power over the noise of frame i, turned back: (rates, bins)."""
        padded, bins = round(1 / ((self.at_s[1] - self.at_s[0]) * self.step_hz)), self.floor[0].shape[1]
        power = np.zeros((len(back), bins), np.float32)
        for piece, floor in zip(self.pieces, self.floor, strict=True):
            turned = sfft.fft(piece[i] * back, padded, axis=1, overwrite_x=True)[:, :bins]
            power += (turned.real**2 + turned.imag**2) / floor[i]
        grey: Grey = np.log1p(power / np.float32(len(self.pieces)))
        return grey

    def finer(self, acceleration: Array, hz: Array) -> Array:
        """A path (frames,) sharpened: each order read at the rate at which it moves, speeds FINER apart, within REACH."""
        near = np.linspace(-REACH, REACH, int(2 * REACH / FINER) + 1)
        score = np.zeros((hz.size, near.size), np.float32)
        order, weight = np.array([*ORDER_WEIGHT], dtype=np.float64), np.array([*ORDER_WEIGHT.values()], np.float32)
        for i in range(hz.size):
            grey = self.loudness(i, self.back(order * acceleration[i]))
            place = order[:, None] * hz[i] * (1 + near) / self.step_hz
            column = np.minimum(place.astype(np.intp), grey.shape[1] - 2)
            part = (place - column).astype(np.float32)
            row = np.arange(order.size)[:, None]
            each = grey[row, column] * (1 - part) + grey[row, column + 1] * part
            score[i] = weight @ np.where(place < grey.shape[1] - 1, each, 0)
        path = np.clip(best_path(score, FINE_COST, 12), 1, near.size - 2)
        between = held_vertex(*(score[np.arange(hz.size), path + d] for d in (-1, 0, 1)), most=1)
        return np.asarray(hz * (1 + near[path] + between * FINER))


def _best_path(score: Grey, acceleration: Array, hz: Array, hop_s: float) -> tuple[float, Index, Index]:
    """Path with the largest sum of score (frames, accelerations, speeds) less what its turns cost: that sum, rows and columns (frames,)."""
    before = hz - acceleration[:, None] * hop_s
    come = np.rint(np.interp(before, hz, np.arange(hz.size))).astype(np.intp)
    outside = np.float32(-1e9) * ((before < hz[0]) | (before > hz[-1])).astype(np.float32)
    rows = np.arange(acceleration.size)[:, None]
    totals = [score[0]]
    for grey in score[1:]:
        near = _dearer(_dearer(totals[-1], STRAYS_COST).T, TURNS_COST).T
        totals.append(near[rows, come] + outside + grey)
    a, f = map(int, np.unravel_index(int(totals[-1].argmax()), totals[-1].shape))
    path = [(a, f)]
    for total in totals[-2::-1]:
        at = int(come[a, f])
        top, left = max(a - 1, 0), max(at - 1, 0)
        part = total[top : a + 2, left : at + 2]
        cost = TURNS_COST * np.abs(np.arange(top, top + part.shape[0]) - a)[:, None] + STRAYS_COST * np.abs(
            np.arange(left, left + part.shape[1]) - at
        )
        step = np.unravel_index(int((part - cost).argmax()), part.shape)
        a, f = top + int(step[0]), left + int(step[1])
        path.append((a, f))
    found = np.array(path[::-1], dtype=np.intp)
    return float(totals[-1].max()), found[:, 0], found[:, 1]


def _dearer(total: Grey, cost: float) -> Grey:
    """The best of each value and its two neighbours in a row less a cost."""
    best = total.copy()
    np.maximum(best[:, 1:], total[:, :-1] - np.float32(cost), out=best[:, 1:])
    np.maximum(best[:, :-1], total[:, 1:] - np.float32(cost), out=best[:, :-1])
    return best
