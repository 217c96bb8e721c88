"""Shaft angle from the phases of several orders together: a coarse speed sharpened to what the noise allows.

Each order is turned down by the coarse angle and averaged over short blocks; what phase is left is the order times the error of the angle.
All orders are weighed by their Fisher information (the full comb: Rife & Boorstyn, IEEE Trans. IT 20 (1974) 591-598, summed over
lines; demodulation of shaft orders after Bonnardot et al., Mech. Syst. Signal Process. 19 (2005) 766-785), and the angle is smoothed by
the wander that the record itself shows.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import accumulate, repeat

import numpy as np
import numpy.typing as npt
from scipy.linalg import cho_solve_banded, cholesky_banded
from scipy.special import stdtrit

from vibekit.median import median
from vibekit.normal import Z95
from vibekit.ridge import best_path

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
WANDERS = 10.0 ** np.arange(-9.0, 5.0, 0.5)  # second difference of the angle a block, variance in units of its noise
FIRST = 14  # of them to be tried; then those beside it, as long as they are not
HIDDEN = 10.0  # wander times the fourth power of the blocks, below which noise hides all it does to their mean: smaller ones count as one
UNLIKELY = 20.0  # twice the log of the likelihood, below the likeliest
STEP = 1 / 15  # of the largest error of the coarse speed: typical change from block to block
CACHED = 1 << 15  # samples turned at once: they stay in the cache
AGREEING = 0.3  # coherence with the common angle, apart from noise, from which an order is one of the shaft's
STANDING = 9.0  # times the noise of its mean over all blocks, from which an order stands there
PASSES = 3, 8  # at most: from a coarse speed, where more of them follow the noise of one order; from a good one
SETTLED = 0.1  # turns of the highest order by which the angle may still move where its phases are small, one pass before the last
BLURRED = 0.0083  # of the variance of a wander: that of the mean angle over a Hann block about the one in its middle
TINY = 1e-100  # where a block or an order is silent
OVERLAP = 1 / 6  # of the noise of half overlapping Hann blocks is shared (Harris, Proc. IEEE 66 (1978) 51-83, table 1)


@dataclass(frozen=True, slots=True)
class Phase:
    """Correction of a coarse angle.

    time_s: (blocks,) middle of each block; turns: (blocks,) to add to the coarse angle
    mean_sd_hz: standard deviation of the mean speed from first to last block; whole_sd_hz: over the record, beyond them as at them
    step_sd_hz: standard deviation of the change of speed from block to block
    coherence: part of the best order's power that follows the angle; apart_from_noise: the same without the power of its noise
    """

    time_s: Array
    turns: Array
    mean_sd_hz: float
    whole_sd_hz: float
    step_sd_hz: float
    coherence: float
    apart_from_noise: float


def follow_phase(
    signals: list[npt.NDArray[np.floating]], rate_hz: float, coarse: Array, orders: list[int], block_s: float, reach_hz: float
) -> Phase | None:
    """Correct the coarse angle (n,) in turns of a record; None when it has fewer than five blocks.

    signals: (n,) samples each, one rate; orders: ascending, those that carry lines
    block_s: length of a block, half overlapping; reach_hz: largest error of the coarse speed, 0 where
    the coarse angle is right but for a small part of a turn of each order
    """
    hop = max(int(block_s * rate_hz / 2), 4)
    if coarse.size // hop < 6:
        return None
    spare = coarse.size % hop
    first = spare // 2
    part = slice(first, first + coarse.size - spare)
    z = np.concatenate([_demodulate(signal[part], coarse[part], orders, hop) for signal in signals])  # (signals x orders, blocks)
    order = np.tile(np.array(orders, dtype=np.float64), len(signals))[:, None]
    step = hop / rate_hz
    middle = first + hop * np.arange(1, coarse.size // hop)
    base = (coarse[middle - 1] + coarse[middle]) / 2
    base = base - np.linspace(base[0], base[-1], base.size)  # the speed itself walks, not its distance from the coarse one
    used = order[:, 0] <= np.median(orders)  # begin with the low orders, then take in what agrees with them
    angle = _coarse(z[used], order[used], step, reach_hz) if reach_hz else np.zeros(z.shape[1])
    power = np.mean(z.real**2 + z.imag**2, axis=1) + TINY
    smooth = _smoother(angle.size, 1 + spare / hop / 2)
    turned = _turned_back(z, order, angle)
    noise = _noise(turned)
    most, last = PASSES[reach_hz == 0], False
    for done in range(1, most + 1):
        before, last = angle, last or done == most
        mean = turned.mean(axis=1, keepdims=True)
        weight = order * np.abs(mean) ** 2 / noise * used[:, None]
        information = 2 * (2 * np.pi) ** 2 * np.sum(order * weight) + TINY
        error = 2 * (2 * np.pi) * np.sum(weight * (turned * (1 / (mean + TINY))).imag, axis=0) / information
        total, sd, whole, wander = smooth(base + angle + error, 1 / float(information) if last else TINY)
        angle = total - base
        turned = _turned_back(z, order, angle)
        line, noise = np.abs(turned.mean(axis=1)) ** 2, _noise(turned)
        coherence, clear = line / power, line / noise[:, 0]
        apart = line / np.maximum(np.maximum(power - noise[:, 0], line), TINY)
        stands = clear >= min(STANDING / base.size, float(clear.max()))
        used = stands & (apart >= min(AGREEING, float(apart[stands].max())))
        if last:
            break
        last = done > 1 and float(order[used].max() * np.abs(angle - before).max()) < SETTLED
    time = np.asarray((middle - 0.5) / rate_hz)
    span, best = float(time[-1] - time[0]), int(coherence.argmax())
    return Phase(time, angle, sd / span, whole / (coarse.size / rate_hz), wander / step, float(coherence[best]), float(apart[best]))


def _demodulate(signal: npt.NDArray[np.floating], turns: Array, orders: list[int], hop: int) -> Complex:
    """Hann-weighted mean of signal x exp(-2 pi i order angle) over blocks of 2 hop samples, half overlapping: (orders, blocks)."""
    count, kind = turns.size // hop, np.result_type(signal, 1j)
    half = np.sin(np.pi * (np.arange(2 * hop) + 0.5) / (2 * hop)) ** 2
    window = (half / half.sum()).reshape(2, hop).T.astype(kind)
    halves = np.empty((len(orders), count, 2), kind)
    some = max(CACHED // hop, 1)
    for first in range(0, count, some):
        part = slice(first * hop, min(first + some, count) * hop)
        turned, angle = signal[part].astype(kind), (2 * np.pi * (turns[part] - np.floor(turns[part]))).astype(np.float32)
        wave = np.empty_like(turned)
        wave.real, wave.imag = np.cos(angle), -np.sin(angle)
        for row, steps in zip(halves, np.diff(orders, prepend=0).tolist(), strict=True):
            for _ in range(steps):
                turned *= wave
            np.matmul(turned.reshape(-1, hop), window, out=row[first : first + some])
    return (halves[:, :-1, 0] + halves[:, 1:, 1]).astype(np.complex128)


def _noise(z: Complex) -> Array:
    """Noise power of each row, (rows, 1), from third differences between blocks: what moves slowly does not count.

    1, 3, 3, 1 squared sum to 20; 15 where neighbours share a sixth of their noise (Hann, half overlapping).
    """
    rough = z[:, 3:] - 3 * z[:, 2:-1] + 3 * z[:, 1:-2] - z[:, :-3]
    noise = median(rough.real**2 + rough.imag**2) / np.log(2) / 15
    return np.asarray(np.maximum(noise, 1e-6 * np.mean(z.real**2 + z.imag**2, axis=1) + TINY))[:, None]


def _coarse(z: Complex, order: Array, step_s: float, reach_hz: float) -> Array:
    """Angle (blocks,) from the turn between neighbouring blocks, all orders together: path of the best speed error."""
    pair = z[:, 1:] * np.conj(z[:, :-1]) / _noise(z)
    fine = 0.04 / (float(order.max()) * step_s)
    error_hz = np.arange(-reach_hz, reach_hz + fine / 2, fine)
    likelihood = (pair.T @ np.exp(-2j * np.pi * step_s * order * error_hz)).real
    path = best_path(likelihood.astype(np.float32), fine / (STEP * reach_hz), 25)
    rest = pair * np.exp(-2j * np.pi * step_s * order * error_hz[path])
    finer = np.sum(order * rest.imag, axis=0) / (np.sum(order**2 * np.abs(rest), axis=0) + TINY) / (2 * np.pi)
    return np.concatenate((np.zeros(1), np.cumsum(error_hz[path] * step_s + finer)))


def _turned_back(z: Complex, order: Array, angle: Array) -> Complex:
    """Rows of z (rows, blocks), each turned back by its order (rows, 1), a whole number, times the angle (blocks,) in turns."""
    each = order[:, 0].astype(int)
    powers = list(accumulate(repeat(np.exp(-2j * np.pi * angle), each.max()), np.multiply))
    return np.asarray(z * np.stack([powers[k - 1] for k in each]))


def _smoother(n: int, beyond: float) -> Callable[[Array, float], tuple[Array, float, float, float]]:
    """Smooth measured angles (n,) whose noise has at least some variance; the speed walks at random, by as much as the record says.

    What is returned gives the angle, the standard deviation of its total change, of its change from some steps before to as many after,
    where the speed goes on as it is but for its walk, and that of the second difference of the true angle. Each wander gives a Kalman
    smoother of angle and speed, here one banded solve for the second differences of the angle, whose noise half overlapping blocks share;
    they are averaged by the likelihood of those differences.
    """
    noise = np.array([6 - 8 * OVERLAP, 7 * OVERLAP - 4, 1 - 4 * OVERLAP, OVERLAP])  # covariance of its second differences, by lag
    ends = np.zeros((n, 2))
    ends[0], ends[-1] = (-1, -1 - beyond), (1, 1 + beyond)
    ends[1, 1] += beyond
    ends[-2, 1] -= beyond
    least = int(np.searchsorted(WANDERS, HIDDEN / n**4))
    unsure = (float(stdtrit(n - 2, 0.975)) / Z95) ** 2  # a variance that so few differences tell (Student, Biometrika 6 (1908) 1-25)

    def blurred(x: Array) -> Array:
        """Covariance of the blocks' noise times x (n, ...)."""
        y = x.copy()
        y[1:] += OVERLAP * x[:-1]
        y[:-1] += OVERLAP * x[1:]
        return y

    gone = BLURRED * np.sum(ends**2, axis=0) + np.array([0.0, beyond**2 * (1 + beyond)])  # wander within a block, and beyond the last
    own, told = np.sum(ends * blurred(ends), axis=0), np.diff(blurred(ends), 2, axis=0)

    @cache
    def factored(i: int) -> tuple[Array, float, Array]:
        """Factor for one wander, the log of its determinant, and the variance of both changes (2,)."""
        band = np.repeat(noise[:, None], n - 2, axis=1)  # lower band
        band[0] += WANDERS[i]
        factor = cholesky_banded(band, lower=True, check_finite=False)
        left = own - np.sum(told * cho_solve_banded((factor, True), told, check_finite=False), axis=0)
        return factor, 2 * float(np.log(factor[0]).sum()), left + gone * WANDERS[i]

    def smooth(angle: Array, variance: float) -> tuple[Array, float, float, float]:
        pull, across, step = np.zeros((WANDERS.size, n - 2)), np.zeros((WANDERS.size, 2)), np.zeros(WANDERS.size)
        cost = np.full(WANDERS.size, np.inf)
        bend, to_try = np.diff(angle, 2), [FIRST]
        while to_try:
            i = to_try.pop()
            factor, determinant, left = factored(i)
            pull[i] = cho_solve_banded((factor, True), bend, check_finite=False)
            misfit = float(bend @ pull[i])
            scale = max(misfit / (n - 2), variance)
            cost[i] = determinant + (n - 2) * np.log(scale) + misfit / scale
            across[i], step[i] = scale * left * (unsure if scale > variance else 1.0), scale * WANDERS[i]
            if cost[i] < cost.min() + UNLIKELY:
                to_try += [j for j in (i - 1, i + 1) if least <= j < WANDERS.size and cost[j] == np.inf]
        weight = np.exp((cost.min() - cost) / 2)
        weight /= weight.sum()
        change = pull @ told  # taken off the measured one
        total, whole = np.sqrt(weight @ (across + (change - weight @ change) ** 2)).tolist()
        return angle - blurred(np.diff(np.pad(weight @ pull, 2), 2)), total, whole, float(np.sqrt(weight @ step))

    return smooth
