"""The squared envelope: does the high band pulse at a bearing's defect orders, once a turn, or at random?"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from scipy.ndimage import map_coordinates
from scipy.special import gammaincc

from vibekit.orders import RANGES
from vibekit.transform import Transform, running_floor

Array = npt.NDArray[np.float64]
LINE_CAP = 8.0  # -log10(p) at most credited to one line: one line alone never proves a comb
SLIP = (-0.015, 0.010)  # relative range of a defect order about its geometry (Randall & Antoni 2011: 1-2 %)


@dataclass(frozen=True, slots=True)
class EnvelopeSpectrum:
    """Order spectrum of the squared envelope of one band.

    order: (m,) from 0; ratio: (m,) mean power over blocks divided by the local noise floor (1 where there is only noise);
    blocks: how many blocks were averaged; resolution: distance of bins in orders; band_hz: the band enveloped
    """

    order: Array
    ratio: Array
    blocks: float
    resolution: float
    band_hz: tuple[float, float]

    def surprise(self, order: Array, half_width: Array) -> Array:
        """-log10 of the chance that noise alone reaches the highest bin within `half_width` of each order, capped at LINE_CAP.

        order, half_width: any one shape; result of that shape. A bin of an averaged periodogram of noise follows a gamma law with `blocks`
        as its shape (Welch 1967; for one block chi-square with two degrees of freedom, Abboud et al., MSSP 84 (2017)).
        """
        highest, count, inside = self._highest(order, half_width)
        tail = gammaincc(self.blocks, self.blocks * np.minimum(highest, 200.0 / self.blocks + 10))
        chance = -np.expm1(count * np.log1p(-np.minimum(tail, 1 - 1e-12)))
        value = np.minimum(-np.log10(np.maximum(chance, 1e-300)), LINE_CAP)
        return np.where(inside, value, 0.0)

    def height(self, order: Array, half_width: Array) -> Array:
        """log10 of the highest bin within `half_width` of each order over the floor, at least 0; shapes as in `surprise`."""
        highest, _, inside = self._highest(order, half_width)
        return np.where(inside, np.log10(np.maximum(highest, 1.0)), 0.0)

    def _highest(self, order: Array, half_width: Array) -> tuple[Array, Array, npt.NDArray[np.bool_]]:
        """(highest bin, how many bins were looked at, whether they all lie in the spectrum) around each order."""
        low = np.floor((order - half_width) / self.resolution).astype(int)
        high = np.ceil((order + half_width) / self.resolution).astype(int)
        inside = (low >= 1) & (high < len(self.ratio) - 1)
        low, high = np.clip(low, 0, len(self.ratio) - 1), np.clip(high, 0, len(self.ratio) - 1)
        span = int((high - low).max()) + 1 if low.size else 1
        at = low[..., None] + np.arange(span)
        picked = np.where(at <= high[..., None], self.ratio[np.minimum(at, len(self.ratio) - 1)], 0)
        return picked.max(axis=-1), high - low + 1.0, inside


@dataclass(frozen=True, slots=True)
class Comb:
    """How strongly a defect order and its harmonics stand out.

    order: where the comb fits best; slip: relative distance from its geometry; score: sum of the lines' surprises;
    lines: (harmonics,) surprise of each, -log10 of the chance that noise alone does it
    height: sum over the lines of log10 of their power over the floor, without a cap: which of two combs at the cap is the taller
    """

    order: float
    slip: float
    score: float
    lines: tuple[float, ...]
    height: float


def squared_envelope(transform: Transform, low_hz: float, high_hz: float, *, whiten: bool = True) -> tuple[Array, float]:
    """Squared envelope of a band, (m,) mean 1, and its rate in Hz."""
    analytic, rate = transform.analytic(low_hz, high_hz, whiten=whiten)
    squared = (analytic.real**2 + analytic.imag**2).astype(np.float64)
    return squared / max(float(squared.mean()), np.finfo(float).tiny), rate


def envelope_spectrum(
    squared: Array,
    rate_hz: float,
    turns_at_s: tuple[Array, Array],
    *,
    band_hz: tuple[float, float],
    max_order: float,
    leave_out_s: RANGES = (),
    block_turns: int = 512,
) -> EnvelopeSpectrum | None:
    """Order spectrum of a squared envelope, squared-envelope strategy of Randall & Antoni (2011) section 5, in the order domain.

    squared: (m,) from the start of the record; times left out are set to the mean. None when fewer than eight turns fit.
    """
    time, turns = turns_at_s
    total = turns[-1] - turns[0]
    if total < 8:
        return None
    squared = squared.copy()
    for start, stop in leave_out_s:
        squared[max(int(start * rate_hz) - 2, 0) : int(stop * rate_hz) + 3] = 1.0
    top_hz = float(np.gradient(turns, time).max())
    max_order = min(max_order, 0.45 * rate_hz / top_hz)
    bins = sfft.rfft(squared)
    kept = min(int(max_order * top_hz * 1.1 * len(squared) / rate_hz), len(bins) - 1)
    m = min(sfft.next_fast_len(int(kept * 2.5) + 8, real=True), len(squared))
    slow = sfft.irfft(bins[: min(kept, m // 2) + 1], m) * (m / len(squared)) if m < len(squared) else squared
    slow_rate = rate_hz * m / len(squared)
    per_turn = sfft.next_fast_len(int(np.ceil(2.6 * max_order)))
    angle = turns[0] + np.arange(int(total * per_turn)) / per_turn
    y = map_coordinates(slow, [np.interp(angle, turns, time) * slow_rate], order=3, mode="nearest")
    block = int(min(block_turns, total))
    n = block * per_turn
    window = np.hanning(n + 1)[:n]
    starts = list(range(0, len(y) - n + 1, max(n // 2, 1)))
    power = np.zeros(int(max_order * block) + 1)
    for s in starts:
        frame = y[s : s + n] - y[s : s + n].mean()
        power += np.abs(sfft.rfft(frame * window)[: len(power)]) ** 2
    floor = running_floor(power, max(int(2.0 * block), 16)) / np.log(2)
    blocks = 1.0 if len(starts) == 1 else 0.95 * len(starts)  # Hann, half overlap: correlation 1/6 (Harris 1978) costs about 5 %
    median_bias = np.log(2) / (1 - 1 / (3 * blocks)) if blocks > 1 else 1.0  # the median of a gamma law nears its mean
    ratio = power / np.maximum(floor * median_bias, np.finfo(float).tiny)
    return EnvelopeSpectrum(np.arange(len(power)) / block, ratio, blocks, 1 / block, band_hz)


def comb_at(
    spectrum: EnvelopeSpectrum,
    order: float,
    *,
    slip: tuple[float, float] = SLIP,
    harmonics: int = 5,
    explained: npt.ArrayLike = (),
) -> Comb:
    """The comb near `order` that fits best with one common slip for all its harmonics.

    slip: relative range searched about `order`
    explained: orders at which whatever stands there is already accounted for (whole orders, a comb found before)
    Upper harmonics count only when the first stands out: a comb without its root is somebody else's.
    """
    step = max(spectrum.resolution / (2 * order * harmonics), 1e-5)
    shift = np.arange(slip[0], slip[1] + step, step)
    k = np.arange(1, harmonics + 1)
    at = order * (1 + shift)[:, None] * k
    width = np.maximum(0.75 * spectrum.resolution, 2e-4 * order * k) * np.ones_like(at)
    lines = spectrum.surprise(at, width)
    taken = np.sort(np.asarray(explained, dtype=np.float64))
    if taken.size:
        right = np.clip(np.searchsorted(taken, at), 0, taken.size - 1)
        gap = np.minimum(np.abs(taken[right] - at), np.abs(taken[np.maximum(right - 1, 0)] - at))
        lines[gap < 2.5 * spectrum.resolution + width] = 0.0
    score = np.where(lines[:, 0] > 2, lines.sum(axis=1), lines[:, 0])
    best = int(score.argmax())
    height = spectrum.height(at[best], width[best]) * (lines[best] > 0)
    found = tuple(float(v) for v in lines[best])
    return Comb(float(order * (1 + shift[best])), float(shift[best]), float(score[best]), found, float(height.sum()))


def family(order: float, cage: float, top: float) -> Array:
    """Orders that a comb at `order` accounts for, up to `top`: its multiples, with one to three shaft or cage orders either side."""
    k = np.arange(1, int(top / order) + 2)[:, None]
    beside = np.concatenate([np.arange(-3.0, 4.0), cage * np.arange(-3.0, 4.0)])
    return np.unique((k * order + beside).ravel())
