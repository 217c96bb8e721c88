"""Mains hum: where it stands in a recording, read once for all that ask for a shaft's lines.

The wiring puts lines at multiples of 50 or 60 Hz into a recording. A large grid keeps its frequency, a small generator strays from it by a
percent. A shaft at just such a speed looks alike, while it keeps its speed as a grid does: nothing but another speed of the motor tells the
two apart then. One that does not is known by how its lines move.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.long_transform import Real
from vibekit.median import median
from vibekit.normal import Z95
from vibekit.parabola import vertex
from vibekit.problem import Problem
from vibekit.transform import USED, Transform, running_floor
from vibekit.window import HANN_NENBW, HANN_POWER, hann_windowed

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
Bins = npt.NDArray[np.complex128]
MAINS_HZ = (50.0, 60.0)
GRID = 2e-3  # 0.05 Hz of 50 in continental Europe, 0.1 Hz in the north of it (Regulation (EU) 2017/1485, annex III, from memory)
CLOSE = 6e-4  # where a large grid is nearly always: one or two lines that no other confirms must lie there
GENERATOR = 0.01  # from the nominal frequency (common practice, no source)
SAME = 5e-3  # a shaft and a generator closer than this are not told apart
STRAYS = 2e-4  # of a grid's frequency while a recording lasts, either way (from memory)
MOVES = 4e-4  # rms of a frequency about its mean, over the mean: a grid stays below, a shaft whose speed nothing holds does not
SHORTEST_S, SLOWEST_HZ = 2.0, 50.0  # record, and sampling rate, below which it cannot be told
TOP_HZ, HARMONICS = 5000.0, 8  # rectifiers make multiples up to some kHz; it is told by the first of them
LOW, SEVERAL = 3, 3  # multiple below which a lone line lies, of more the lowest; how many tell a frequency of their own, one of them odd
LEAST = 12.0  # power of a line over the noise
GAP = 4  # of its multiples, that may be missing between two
LOUDEST = 100.0  # power over LEAST from which a line counts no more
FLOOR_HZ = 8.0  # bands whose median is the noise
FAINTEST = 1e-15  # of the highest bin, where a made signal has no noise
FINER = (2, 3, 4, 5)  # mains has nothing at these parts of its pitch; a shaft with a line at every multiple of its own speed has
FINER_SHARE = 0.4  # of them, where it has one
KNOWN = 0.1  # of a bin: standard deviation of a line's place
HALF_HZ = 1.0  # of the band in which a line's phase is followed
NOISY = 0.03  # of a line's power in that band: noise from which its phase tells nothing
NEARLY, NEAR_HZ, CROWD = 0.25, 1.5, 1  # lines that make a crowd of one: of its power, as near, more than so many
SWELLS = 0.02  # variance of its amplitude over its mean square, from which it tells nothing either
LOBE = 1  # bins either side of a line, that hold 97 % of it under a Hann window wherever it lies between two bins


@dataclass(frozen=True, slots=True)
class Hum:
    """Lines at multiples of one frequency that may be the mains'.

    mains_hz, u95_hz: that frequency with the half width of its 95 % interval, by the recording's clock; nominal_hz: 50 or 60
    multiple: (m,) that stand out; hz: (m,) where they do, folded back from above half the rate
    power: (channels, m) mean square of each, in the recording's unit squared; height_db: (m,) over the noise in a band of 1 Hz
    """

    nominal_hz: float
    mains_hz: float
    u95_hz: float
    multiple: Array
    hz: Array
    power: Array
    height_db: Array

    @property
    def on_grid(self) -> bool:
        """As near to its nominal frequency as a grid: else it may be a generator's or a shaft's."""
        return abs(self.mains_hz / self.nominal_hz - 1) < GRID + self.u95_hz / self.nominal_hz

    def holds(self, shaft_hz: float) -> bool:
        """Say whether all orders of a shaft are among its multiples."""
        ratio = shaft_hz / self.mains_hz
        return round(ratio) > 0 and abs(ratio / round(ratio) - 1) < SAME

    def may_be(self, shaft_hz: float, reach: float) -> bool:
        """Say whether its frequency is within a relative reach of a multiple of half the speed of a shaft: loose ones have half orders."""
        ratio = 2 * self.mains_hz / shaft_hz
        return round(ratio) > 0 and abs(ratio / round(ratio) - 1) < max(reach, SAME)

    def of(self, channel: int) -> list[tuple[float, float]]:
        """Frequency and power of each line in one channel."""
        return list(zip(self.hz.tolist(), self.power[channel].tolist(), strict=True))

    @property
    def where(self) -> str:
        """Where its lowest lines stand, in words."""
        at = ", ".join(f"{hz:.1f}" for hz in self.hz[:3])
        return f"{at} Hz" + (f" and {len(self.hz) - 3} higher lines" if len(self.hz) > 3 else "")


def beside(hums: Sequence[Hum], shaft_hz: float | None, reach: float) -> tuple[Hum, ...]:
    """What of it is taken for no shaft's: a grid's, and a generator's where the shaft is known to turn otherwise, to a relative reach."""
    return tuple(hum for hum in hums if hum.on_grid or (shaft_hz is not None and not hum.may_be(shaft_hz, reach)))


def lines_of(hums: Sequence[Hum]) -> Array:
    """Frequency and height over the noise in a band of 1 Hz, dB, of all lines, (m, 2)."""
    return np.concatenate([np.empty((0, 2)), *(np.column_stack((hum.hz, hum.height_db)) for hum in hums)])


def find_hum(transforms: Sequence[Transform]) -> tuple[Hum, ...]:
    """Hum of 50 and of 60 Hz, as far as there is. transforms: of the vibration channels of one record, none or more.

    Among frequencies near the nominal one, first as a grid's, then as a generator's, that whose multiples stand highest over the noise.
    """
    if not transforms or transforms[0].n < SHORTEST_S * transforms[0].rate_hz or transforms[0].rate_hz < SLOWEST_HZ:
        return ()
    low = _Low.of(transforms)
    found = []
    for nominal in MAINS_HZ:
        folds = low.rate_hz < 2 * HARMONICS * nominal  # a slow log: all of it lies close together, too close to look farther
        combs = (low.comb(nominal, reach) for reach in ((GRID,) if folds else (GRID, GENERATOR)))
        if held := next((comb for comb in combs if comb and not _moves(transforms, comb)), None):
            found.append(_measured(transforms, held))
    return tuple(hum for hum in found if hum.hz.size)


@dataclass(frozen=True, slots=True)
class _Comb:
    """A frequency, the half width of its 95 % interval, and the multiples (m,) by which it is told."""

    nominal: float
    hz: float
    u95_hz: float
    multiple: Array

    @property
    def several(self) -> bool:
        """As many as tell a frequency of their own: an even comb is a shaft of twice the speed."""
        return self.multiple.size >= SEVERAL and bool(np.any(self.multiple % 2))


@dataclass(frozen=True, slots=True)
class _Low:
    """The lowest bins of a record: over, (n,) power over the noise, all channels; total: (n,) sum of its maxima up to each."""

    over: Real
    total: Array
    rate_hz: float
    step_hz: float

    @classmethod
    def of(cls, transforms: Sequence[Transform]) -> "_Low":
        first = transforms[0]
        top = first.index(min(HARMONICS * MAINS_HZ[-1] + FLOOR_HZ, first.rate_hz / 2)) - 1
        each = [_over_noise(transform, slice(1, top)) for transform in transforms]
        over = np.concatenate((np.ones(1, each[0].dtype), each[0] if len(each) == 1 else np.mean(each, axis=0)))
        inner = over[1:-1]
        peaks = np.where((inner >= over[:-2]) & (inner >= over[2:]), inner, 0)
        total = np.concatenate(([0.0, 0.0], np.cumsum(peaks, dtype=np.float64)))
        return cls(over, total, first.rate_hz, first.resolution_hz)

    def height(self, hz: Array, stray_hz: Array) -> Array:
        """Mean power over the noise of what stands out as far as a line strays; 0 beyond the band."""
        at, half = np.rint(folded(hz, self.rate_hz) / self.step_hz).astype(np.intp), np.rint(stray_hz / self.step_hz).astype(np.intp)
        inside = (at - half > 1) & (at + half < self.over.size - 2)
        at = np.where(inside, at, half + 2)
        return np.asarray(np.where(inside, (self.total[at + half + 1] - self.total[at - half]) / (2 * half + 1), 0.0))

    def place(self, hz: float, stray_hz: float) -> float:
        """Frequency of the line near one: of the highest bin, between its neighbours by a parabola through their logarithms."""
        seen, half = abs(hz - self.rate_hz * round(hz / self.rate_hz)), 1 + round(stray_hz / self.step_hz)
        first = max(round(seen / self.step_hz) - half, 1)
        at = first + int(self.over[first : first + 2 * half + 1].argmax())
        before, here, after = np.log(self.over[at - 1 : at + 2] + np.finfo(float).tiny)
        off = float(at + vertex(before, here, after)) * self.step_hz - seen
        return hz + (off if hz >= self.rate_hz * round(hz / self.rate_hz) else -off)

    def comb(self, nominal: float, reach: float) -> _Comb | None:
        """The likeliest within a relative reach of the nominal frequency; None where it is none of hum's."""
        k = np.arange(1.0, HARMONICS + 1)
        pitch = nominal * np.arange(1 - reach, 1 + reach, max(self.step_hz / (4 * k[-1] * nominal), STRAYS / 2))
        score = np.log(np.clip(self.height(np.outer(k, pitch), STRAYS * nominal * k[:, None]) / LEAST, 1.0, LOUDEST)).sum(axis=0)
        best = float(np.median(pitch[score == score.max()]))
        k = k[self.height(best * k, STRAYS * nominal * k) > LEAST]
        if not k.size:
            return None
        sd = np.hypot(KNOWN * self.step_hz, STRAYS * nominal * k / 2)
        off = np.array([self.place(best * each, STRAYS * nominal * each) for each in k.tolist()]) - best * k
        for _ in range(2):  # least squares, and again without those that do not fit
            shift, u95 = float(np.sum(off * k / sd**2) / np.sum((k / sd) ** 2)), Z95 / math.sqrt(float(np.sum((k / sd) ** 2)))
            fits = np.abs(off - shift * k) < self.step_hz / 4 + 2 * sd
            if not fits.any():
                return None
            k, sd, off = k[fits], sd[fits], off[fits]
        comb = _Comb(nominal, best + shift, u95, k)
        near = abs(comb.hz / nominal - 1) < u95 / nominal + (reach if comb.several else CLOSE)
        low = k[0] < LOW + min(k.size, SEVERAL) - 1 and (comb.several or k[-1] * nominal < self.rate_hz / 2)
        if not (near and low):
            return None
        for part in FINER:
            j = np.arange(1.0, HARMONICS // 2 * part)
            j = j[j % part > 0]
            if np.mean(self.height(comb.hz * j / part, np.zeros(j.size)) > LEAST) > FINER_SHARE:
                return None
        return comb


def folded(hz: Array, rate_hz: float) -> Array:
    """Where frequencies appear, those above half the rate folded back."""
    return np.abs(hz - rate_hz * np.round(hz / rate_hz))


def _over_noise(transform: Transform, band: slice) -> Real:
    """Power of the bins of a band under a Hann window, over the noise about them."""
    bins = hann_windowed(transform.bins, band)
    power = bins.real**2 + bins.imag**2
    floor = running_floor(power, max(int(FLOOR_HZ / transform.resolution_hz), 8))
    np.maximum(floor, power.dtype.type(FAINTEST) * power.max() + np.finfo(power.dtype).tiny, out=floor)
    power *= power.dtype.type(math.log(2))
    return np.divide(power, floor, out=power)


def _about(transform: Transform, hz: Array) -> tuple[Index, Bins, Array]:
    """Bins about some frequencies under a Hann window: how far off, (bins,); they, (m, bins); and the noise power in one, (m,)."""
    reach = max(round(FLOOR_HZ / 2 / transform.resolution_hz), 4)
    off = np.arange(-reach, reach + 1)
    at = np.clip(np.rint(hz / transform.resolution_hz).astype(np.intp)[:, None] + off, 1, len(transform.bins) - 2)
    bins = (transform.bins[at] / 2 - (transform.bins[at - 1] + transform.bins[at + 1]) / 4).astype(np.complex128)
    power = _power(bins)
    return off, bins, np.maximum(median(power) / math.log(2), FAINTEST * power.max())


def _reach(transform: Transform, nominal: float, k: Array) -> Array:
    """Bins either side, (m, 1), that hold a line at each multiple of mains."""
    return np.asarray(LOBE + np.rint(STRAYS * nominal * k / transform.resolution_hz)[:, None])


def _crowd(transform: Transform, off: Index, power: Array, noise: Array, reach: Array) -> Index:
    """How many others nearly as high lie near each line, (m,): one may be a shaft's, a shaft that wanders makes many."""
    peak = np.max(power, axis=1, where=np.abs(off) <= reach, initial=0.0)
    high = power > np.maximum(NEARLY * peak, LEAST * noise)[:, None]
    high[:, 1:-1] &= (power[:, 1:-1] > power[:, :-2]) & (power[:, 1:-1] >= power[:, 2:])
    near = (np.abs(off) > reach + 1) & (np.abs(off) * transform.resolution_hz < NEAR_HZ)
    return np.asarray(np.count_nonzero(high & near, axis=1))


def _power(bins: Bins) -> Array:
    return np.asarray(bins.real**2 + bins.imag**2)


def _moves(transforms: Sequence[Transform], comb: _Comb) -> bool:
    """Say whether the frequency moves more than a grid's does, as all lines show that could; away from a grid's, as one does.

    By the phase of each in a narrow band, from one moment to the next; what the noise in the band turns it by is taken off. One that
    swells tells nothing: beats with another line beside it turn its phase, too.
    """
    told, crowd = [], []
    for transform in transforms:
        off, bins, noise = _about(transform, folded(comb.hz * comb.multiple, transform.rate_hz))
        band = np.abs(off) * transform.resolution_hz < HALF_HZ
        x = sfft.ifft(bins[:, band], axis=1)
        count, size, whole = x.shape[1], np.abs(x), np.sum(_power(x), axis=1)
        window = np.sin(np.pi * np.arange(count) / count) ** 2
        step = x[:, 1:] * x[:, :-1].conj()
        step *= np.exp(-1j * np.angle(step.sum(axis=1, keepdims=True)))
        turned = np.sum(np.abs(step) * np.angle(step) ** 2, axis=1) / np.sum(np.abs(step), axis=1)
        by_noise = noise / whole
        swells = 1 - np.sum(window * size, axis=1) ** 2 / np.sum(window**2) / whole
        most = (MOVES * 2 * np.pi * comb.nominal * comb.multiple / (count * transform.resolution_hz)) ** 2
        tells = (swells < SWELLS + by_noise) & (by_noise < NOISY)
        told += list((turned - 2 * by_noise > most)[tells])
        crowd.append(_crowd(transform, off, _power(bins), noise, _reach(transform, comb.nominal, comb.multiple)))
    away = abs(comb.hz / comb.nominal - 1) > GRID + comb.u95_hz / comb.nominal
    moved = any(told) if away else bool(told and all(told))
    return moved or (int(np.min(crowd)) > CROWD if comb.multiple.size >= SEVERAL else bool(np.max(np.min(crowd, axis=0))))


def _measured(transforms: Sequence[Transform], comb: _Comb) -> Hum:
    """What stands at the multiples, from the first ones on, no farther than with GAP of them missing."""
    rate, n = transforms[0].rate_hz, transforms[0].n
    k = np.arange(1.0, TOP_HZ / comb.hz)
    k = k[(k * comb.hz < USED * rate) | np.isin(k, comb.multiple)]
    hz, power, height, stands, crowd = folded(comb.hz * k, rate), [], np.zeros(k.size), np.zeros(k.size), np.full(k.size, CROWD + 1)
    for transform in transforms:
        off, bins, noise = _about(transform, hz)
        each, reach = _power(bins), _reach(transform, comb.nominal, k)
        own = np.abs(off) <= reach
        crowd = np.minimum(crowd, _crowd(transform, off, each, noise, reach))
        line, under = np.sum(each * own, axis=1), noise * np.count_nonzero(own, axis=1)
        power.append(np.maximum(line - under, 0.0) * 2 / (HANN_POWER * n**2))
        height += np.maximum(line - under, 0.0) / noise / len(transforms)
        stands += line / under / len(transforms)
    found = np.flatnonzero(((stands > LEAST) | np.isin(k, comb.multiple)) & (crowd <= CROWD))
    far = np.flatnonzero(np.diff(k[found], prepend=0) > GAP)
    found = found[: far[0]] if far.size else found
    over = 10 * np.log10(np.maximum(height[found] * transforms[0].resolution_hz / HANN_NENBW, 1e-3))
    return Hum(comb.nominal, comb.hz, comb.u95_hz, k[found], hz[found], np.array(power)[:, found], over)


def hum_problems(hums: Sequence[Hum], typed_rpm: float | None) -> tuple[Problem, ...]:
    """Say where hum stands, unless it may be what a typed speed is."""
    apart = " Another speed of the motor tells: lines of hum stay where they are. To be rid of them"
    rid = f"{apart} run the sensor and the computer from batteries, away from chargers."
    return tuple(
        Problem(
            "hum",
            "note",
            f"Lines at {hum.where} fit {hum.nominal_hz:.0f} Hz mains hum{'' if hum.on_grid else ' of a generator'}, or a shaft at just "
            f"this speed ({60 * hum.mains_hz:.0f} rpm): do not read them as orders of another.{rid}",
        )
        for hum in hums
        if typed_rpm is None or not hum.may_be(typed_rpm / 60, GENERATOR)
    )
