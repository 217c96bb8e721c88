"""Orders: amplitude at multiples of shaft speed, whether the speed is steady or not."""

import math
from dataclasses import dataclass, field
from typing import cast

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from numpy.lib.stride_tricks import sliding_window_view

from vibekit.long_transform import Real, long_rfft
from vibekit.median import median
from vibekit.resample import read_at
from vibekit.transform import USED, Transform, running_floor
from vibekit.window import HANN_NENBW

Array = npt.NDArray[np.float64]
Vectors = npt.NDArray[np.complex64]
TOGETHER = 1 << 17  # samples transformed side by side
BESIDE = 17  # bins either side of a line that its power and the noise beside it are read from
ROOM = 1.05  # of the order band, that the low-pass leaves
SLOWEST = 8.0
STANDING = 1e-6  # of the way from point to point: a shaft that turns less between two times stands
RANGES = tuple[tuple[float, float], ...]  # (from, to) in seconds


@dataclass(frozen=True, slots=True)
class OrderSpectrum:
    """Power in each order bin, block by block, of a signal resampled at equal shaft angles.

    order: (m,) ascending from 0; power: (blocks, m) mean-square power of each bin, Hann window, in `unit` squared;
    speed_hz: (blocks,) mean speed of each block
    resolution: distance of two bins in orders
    vectors: (blocks, m) peak amplitude and phase of each bin, in `unit`, against the shaft's angle; None where channels are added up
    hum: (Hz, power) of lines of mains hum, which are no line of the shaft's
    sweep: (blocks,) how far the speed strays from its mean within each, relative: hum spreads over so many orders there
    """

    order: Array
    power: Array
    speed_hz: Array
    resolution: float
    unit: str
    vectors: Vectors | None = None
    hum: tuple[tuple[float, float], ...] = ()
    sweep: Array = field(default_factory=lambda: np.zeros(1))

    @property
    def amplitude(self) -> Array:
        """Peak amplitude a steady line on each bin would have, (m,): root of the mean power over blocks."""
        return np.asarray(np.sqrt(2 * self.power.mean(axis=0)))

    @property
    def floor(self) -> Array:
        """Peak amplitude that noise alone gives beside each bin, (m,)."""
        noise = running_floor(self.power.mean(axis=0), max(int(0.8 / self.resolution), 8))
        return np.sqrt(2 * noise)

    def line_power(self, order: float, half_width: float = 0.0) -> tuple[Array, Array]:
        """Power of the line at `order` in each block (blocks,), and of the noise under it.

        half_width: orders either side to gather, at least the window's main lobe. The floor beside the line is subtracted, and hum as
        any other noise.
        """
        bins = self._gathered(order, half_width)
        gathered = self.power[:, bins].sum(axis=1) / HANN_NENBW
        under = self.bin_noise(order, half_width) * (bins.stop - bins.start) / HANN_NENBW + self.hum_powers(order, half_width)
        return gathered - under, under

    def hum_power(self, order: float, half_width: float = 0.0) -> float:
        """Power of the hum that is gathered with the line at `order`, mean over the blocks."""
        return float(self.hum_powers(order, half_width).mean())

    def hum_powers(self, order: float, half_width: float = 0.0) -> Array:
        """The same in each block (blocks,): of a line that the shaft's speed sweeps past, the share that falls there."""
        if not self.hum:
            return np.zeros(len(self.power))
        reach = max(half_width, 2 * self.resolution) + self.resolution
        hz, power = np.array(self.hum).reshape(-1, 2).T
        at = hz / self.speed_hz[:, None]
        spread = np.maximum(at * self.sweep[:, None], np.finfo(float).tiny)
        share = np.clip((reach + spread - np.abs(at - order)) / (2 * spread), 0.0, np.minimum(reach / spread, 1.0))
        return np.asarray(share @ power)

    def holds(self, order: float) -> bool:
        """The line at `order` and the noise on both its sides lie within the spectrum."""
        bins = self._gathered(order, 0.0)
        return bool(bins.start < bins.stop <= len(self.order) - 3 * (bins.stop - bins.start))

    def bin_noise(self, order: float, half_width: float = 0.0) -> Array:
        """Power of the noise in one bin beside the line at `order`, in each block (blocks,)."""
        bins = self._gathered(order, half_width)
        low, high, gap = bins.start, bins.stop, 3 * (bins.stop - bins.start)
        beside = np.concatenate([self.power[:, max(low - gap, 1) : max(low - 1, 1)], self.power[:, high + 1 : high + gap]], axis=1)
        return median(beside) / np.log(2) if beside.shape[1] else np.zeros(len(self.power))

    def _gathered(self, order: float, half_width: float) -> slice:
        reach = max(half_width, 2 * self.resolution)
        low = max(round((order - reach) / self.resolution), 0)
        return slice(low, min(round((order + reach) / self.resolution) + 1, len(self.order)))


@dataclass(frozen=True, slots=True)
class AngularSignal:
    """A signal read at equal shaft angles.

    samples: (n,) `per_turn` of them a turn; at_s: (n,) when each was taken, seconds from the start of the part looked at
    max_order: highest order that is in it undisturbed; hum: see OrderSpectrum
    """

    samples: Real
    at_s: Array
    per_turn: int
    max_order: float
    unit: str
    hum: tuple[tuple[float, float], ...] = ()

    @property
    def turns(self) -> float:
        """Length in turns."""
        return len(self.samples) / self.per_turn

    def spectrum(self, *, leave_out_s: RANGES = (), block_turns: int | None = None) -> OrderSpectrum:
        """Order spectrum over blocks of whole turns, half overlapping.

        leave_out_s: blocks that touch these times are dropped, unless none would be left
        block_turns: turns a block; by default an eighth of the record, 16 to 128. An odd number is one less, so that half orders have bins
        """
        block = min(block_turns or int(np.clip(self.turns // 8, 16, 128)), int(self.turns)) // 2 * 2
        n = block * self.per_turn
        every = range(0, len(self.samples) - n + 1, max(n // 2, 1))
        starts = [s for s in every if not any(a < self.at_s[s + n - 1] and self.at_s[s] < b for a, b in leave_out_s)] or list(every)
        kind = self.samples.dtype
        window = (1 - np.cos(cast("Real", np.arange(n, dtype=kind)) * kind.type(2 * np.pi / n))) * kind.type(2 / n)
        frames = sliding_window_view(self.samples, n)
        some = TOGETHER // n // 4 * 4 or 1  # four cost little more than one
        bins = np.empty((len(starts), int(self.max_order * block) + 1), np.result_type(window, 1j))
        for first in range(0, len(starts), some):
            part = cast("Real", frames[starts[first : first + some]])
            part -= part.mean(axis=1, keepdims=True)
            part *= window
            bins[first : first + some] = (sfft.rfft(part) if some > 1 else long_rfft(part[0]))[..., : bins.shape[1]]
        power = ((bins.real**2 + bins.imag**2) / 2).astype(np.float64)
        bins[np.array(starts) % n > 0, 1::2] *= -1  # half a block on, the shaft's angle has turned odd bins by half a turn
        return self._spectrum(starts, block, power, bins.astype(np.complex64, copy=False))

    def half_orders(self, block_turns: int) -> OrderSpectrum:
        """As `spectrum`, but power only about multiples of half an order, as far as `line_power` looks; elsewhere nan. For long blocks.

        Of the four steps of a long transform (`vibekit.long_transform`) the first is taken for few bins only: those of what changes
        slowly from one two turns to the next.
        """
        block = min(block_turns, int(self.turns)) // 2 * 2
        few, points, n = block // 2, 2 * self.per_turn, block * self.per_turn
        starts = list(range(0, len(self.samples) - n + 1, max(n // 2, 1)))
        kind, beside = self.samples.dtype, np.arange(-BESIDE - 1, BESIDE + 2)
        angle = (2 * np.pi / few * (np.outer(beside[BESIDE + 1 :], np.arange(few)) % few)).astype(kind)
        slow, turn = np.concatenate((np.cos(angle), -np.sin(angle))), np.exp(-2j * np.pi / n * np.outer(beside, np.arange(points)))
        number = few * np.arange(int(2 * self.max_order) + 2) + beside[1:-1, None]
        power = np.full((len(starts), int(self.max_order * block) + 1), np.nan)
        inside = (number >= 0) & (number < power.shape[1])
        for row, start in zip(power, starts, strict=True):
            real, imag = np.split(slow @ self.samples[start : start + n].reshape(few, points), 2)
            half = real + 1j * imag
            bins = sfft.fft(np.concatenate((half[:0:-1].conj(), half)) * turn)[:, : number.shape[1]]
            hann = (2 * bins[1:-1] - bins[:-2] - bins[2:]) / n
            row[number[inside]] = (hann.real**2 + hann.imag**2)[inside] / 2
        return self._spectrum(starts, block, power)

    def _spectrum(self, starts: list[int], block: int, power: Array, vectors: Vectors | None = None) -> OrderSpectrum:
        n = block * self.per_turn
        order = np.arange(power.shape[1]) / block
        speed = np.array([block / max(self.at_s[s + n - 1] - self.at_s[s], 1e-12) for s in starts])
        return OrderSpectrum(order, power, speed, 1 / block, self.unit, vectors, self.hum, self._sweep(starts, block))

    def _sweep(self, starts: list[int], block: int) -> Array:
        """Half the range of a speed that strays evenly as far about its mean as each block's under a Hann window: half without it."""
        each = sliding_window_view(1 / np.maximum(np.diff(self.at_s[:: self.per_turn]), 1e-12), block - 1)
        some = each[np.array(starts) // self.per_turn]
        return np.asarray(math.sqrt(3) / 2 * some.std(axis=1) / some.mean(axis=1))


def angular_signal(
    transform: Transform, turns_at_s: tuple[Array, Array], *, max_order: float, unit: str, finest: float = 2.0
) -> AngularSignal | None:
    """Read a record at equal shaft angles; None when fewer than four turns fit.

    turns_at_s: times (k,) in seconds from the start of the record and turns (k,) of the shaft at those times, ascending
    max_order: highest order wanted; held below 0.45 of the sampling rate; finest: points a turn at least, for each order

    The record is low-passed to the order band at the highest speed, then read at equal angles (computed order tracking: Fyfe & Munck,
    Mech. Syst. Signal Process. 11 (1997) 187-205), so many a turn that what lies above max_order at lower speeds, down to
    1 / SLOWEST of the highest, does not fold into the orders wanted: what does stays below -90 dB (see `read_at`).
    """
    time, turns = turns_at_s
    total = turns[-1] - turns[0]
    if total < 4:
        return None
    speed = np.gradient(turns, time)
    top_hz = float(speed.max())
    max_order = min(max_order, USED * transform.rate_hz / top_hz)
    ratio = min(top_hz / max(float(speed.min()), 1e-9), SLOWEST)
    per_turn = sfft.next_fast_len(int(np.ceil(max_order * max(finest, 1 + ROOM * ratio))), real=True)
    at_s = at_angles(turns_at_s, per_turn)
    samples = read_at(transform, at_s, ROOM * max_order * top_hz)
    return AngularSignal(samples, at_s, per_turn, max_order, unit)


def at_angles(turns_at_s: tuple[Array, Array], per_turn: int) -> Array:
    """Times (n,) at which the shaft has turned each multiple of 1 / per_turn from the first time on; straight lines between those given.

    As numpy.interp, which looks every point up, in a quarter of its time.
    """
    time, turns = turns_at_s
    at = (turns - turns[0]) * per_turn
    edge = np.minimum(np.ceil(np.maximum.accumulate(at)).astype(int), int(at[-1]))
    edge[-1] = int(at[-1])
    count = np.diff(edge)
    slope = np.diff(time) / np.maximum(np.diff(at), STANDING)
    at_s = np.arange(edge[-1], dtype=np.float64)
    at_s *= np.repeat(slope, count)
    at_s += np.repeat(time[:-1] - at[:-1] * slope, count)
    return at_s
