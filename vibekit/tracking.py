"""Vold-Kalman order tracking: amplitude and phase against time of orders that lie close together or cross.

Each order is a cosine at a known angle with an envelope that changes little: its p-th difference is held small (structural equation)
while all orders together must add up to the signal (data equation). Both are solved at once for all orders by least squares
(H. Vold, J. Leuridan, SAE paper 931288 (1993); second generation with p poles: J. Tuma, Proc. 12th Int. Congress on Sound and
Vibration, Lisbon 2005). The envelope is held at knots, eight to the reciprocal of the bandwidth, with straight lines between: the
equations stay well conditioned however narrow the band.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from scipy.linalg import cho_solve_banded, cholesky_banded

from vibekit.errors import UsageError
from vibekit.normal import Z95
from vibekit.window import window_samples

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
KNOTS = 8  # to the reciprocal of the bandwidth
DATA = 2.0  # weight of the data: the square of a cosine has the mean 1/2
NUDGE = 1e-4  # relative change of the structural weight by which its part in the covariance is found
NEAR, LEAST_BINS = 4.0, 40  # bandwidths and bins either side of an order in which its noise is read
OWN = 0.75  # bandwidths either side of a tracked order in which the residual is no noise
FRAME_S = 0.5
BENT = 2.0  # share of the envelope's own rounding, as found by smoothing it again, that counts into the interval
FAINT, CLEAR = 2.75, 3.5  # standard deviations in the interval of a line at 0, and those it must stand above for the usual ones


@dataclass(frozen=True, slots=True)
class TrackedOrder:
    """Envelope of one order: x(t) holds amplitude * cos(2 pi turns + phase).

    time_s, frequency_hz: (m,) seconds after the first sample, and the order's frequency then
    amplitude, amplitude_u95: (m,) peak amplitude in the samples' unit, and half width of its 95 % interval
    phase, phase_u95: (m,) radians, not unwrapped; at most pi where nothing of the order shows
    bandwidth_hz: (m,) full width at half power of the filter that the tracking is; poles: 2 or 3
    """

    time_s: Array
    frequency_hz: Array
    amplitude: Array
    amplitude_u95: Array
    phase: Array
    phase_u95: Array
    bandwidth_hz: Array
    poles: int


def structural_weight(bandwidth_hz: npt.ArrayLike, rate_hz: float, poles: int) -> Array:
    """Give r^2, the weight of the structural equation for a full width at half power (Tuma 2005): (sqrt 2 - 1) / (2 - 2 cos phi)^p.

    phi = pi bandwidth / rate; poles: 1, 2 or 3
    """
    phi = np.pi * np.asarray(bandwidth_hz, dtype=np.float64) / rate_hz
    return np.asarray((np.sqrt(2) - 1) / (2 - 2 * np.cos(phi)) ** poles)


def track_orders(
    x: npt.NDArray[np.floating],
    rate_hz: float,
    turns: Sequence[Array],
    bandwidth_hz: npt.ArrayLike,
    *,
    poles: int = 2,
    top_hz: float | None = None,
) -> tuple[TrackedOrder, ...]:
    """Track one or several orders together.

    x: (n,) samples; turns: (n,) each, the angle in turns of each order (order k: k times the shaft's; a fixed line: frequency * time)
    bandwidth_hz: full width at half power, one number or (n,); the narrower, the less noise and the slower the envelope may change.
        Two orders are told apart where they lie further apart than that, or cross within its reciprocal
    top_hz: highest frequency that x holds, half the rate when left out: noise is looked for below it only

    The interval holds the noise beside each order, through the filter, and what the filter rounds off of the envelope.
    Raises UsageError for poles that are not 2 or 3, or a bandwidth that is not above 0 or too wide for the rate.
    """
    if poles not in (2, 3):
        raise UsageError(f"poles is {poles}; choose 2 or 3")
    wide = np.broadcast_to(np.asarray(bandwidth_hz, dtype=np.float64), (len(x),))
    if not (wide.min() > 0 and 2 * wide.max() < rate_hz):
        raise UsageError(f"bandwidth is {wide.min():g} to {wide.max():g} Hz; it must be above 0 and below half of the {rate_hz:g} Hz rate")
    step = max(int(rate_hz / (KNOTS * wide.max())), 1)
    if len(x) < (poles + 2) * step:
        raise UsageError(f"the signal lasts {len(x) / rate_hz:.3g} s; at this bandwidth it must last {(poles + 2) * step / rate_hz:.3g} s")
    at = np.arange(-(-len(x) // step) + 1) * step
    knots = np.minimum(at, len(x) - 1)
    system = _System.of(x, turns, step, structural_weight(wide[knots], rate_hz / step, poles), poles)
    envelope, rounding = system.solve()
    wave = sum(_wave(e, at, angle) for e, angle in zip(envelope, turns, strict=True))
    frequency = np.array([np.gradient(angle)[knots] * rate_hz for angle in turns])
    time = at / rate_hz
    density = _noise(np.asarray(x - wave), rate_hz, time, frequency, wide[knots], top_hz or rate_hz / 2)
    noise = system.noise() * (DATA / step * density * rate_hz / 2)[:, :, None, None]
    return tuple(_tracked(time, f, e, b, v, wide[knots], poles) for f, e, b, v in zip(frequency, envelope, rounding, noise, strict=True))


def _wave(envelope: Complex, knots: npt.NDArray[np.intp], turns: Array) -> Array:
    every, phase = np.arange(len(turns)), 2 * np.pi * turns
    real, imaginary = (np.interp(every, knots, part) for part in (envelope.real, envelope.imag))
    return np.asarray(real * np.cos(phase) - imaginary * np.sin(phase))


def _tracked(time: Array, frequency: Array, envelope: Complex, rounding: Complex, noise: Array, wide: Array, poles: int) -> TrackedOrder:
    """noise: (m, 2, 2) covariance of the envelope's real and imaginary part."""
    size = np.abs(envelope)
    unit = envelope / np.maximum(size, np.finfo(float).tiny)
    along = np.stack([unit.real, unit.imag], axis=1)
    across = np.stack([-unit.imag, unit.real], axis=1)
    of_size, of_phase = (np.einsum("mi,mij,mj->m", d, noise, d) for d in (along, across))
    amplitude = np.sqrt(np.maximum(size**2 - of_phase, 0.0))  # noise across a line makes it longer
    bent = rounding * unit.conj()
    reach = np.interp(amplitude / np.sqrt(np.maximum(of_size, np.finfo(float).tiny)), (0.0, CLEAR), (FAINT, Z95))
    u95 = np.hypot(reach * np.sqrt(of_size), BENT * bent.real)
    turned = np.hypot(Z95 * np.sqrt(of_phase), BENT * bent.imag)
    phase_u95 = np.where(turned < size, np.arcsin(np.minimum(turned / np.maximum(size, 1e-300), 1)), np.pi)
    return TrackedOrder(time, frequency, amplitude, u95, np.angle(envelope), phase_u95, wide, poles)


@dataclass(frozen=True, slots=True)
class _System:
    """The normal equations in blocks: a block holds the envelope of every order at one knot, real and imaginary parts in turn.

    data: (2, m, s, s) blocks on the diagonal and right beside it; right: (m, s); structure: (poles + 1, m) multiples of the unit block
    """

    data: Array
    right: Array
    structure: Array

    @classmethod
    def of(cls, x: npt.NDArray[np.floating], turns: Sequence[Array], step: int, weight: Array, poles: int) -> "_System":
        """step: samples from knot to knot; weight: (m,) of the structural equation at each knot."""
        m, size = len(weight), 2 * len(turns)
        waves = np.zeros(((m - 1) * step, size + 1))
        waves[: len(x), -1] = x
        for k, angle in enumerate(turns):
            waves[: len(x), 2 * k] = np.cos(2 * np.pi * angle)
            waves[: len(x), 2 * k + 1] = -np.sin(2 * np.pi * angle)
        each = waves.reshape(m - 1, step, size + 1)
        rise = (np.arange(step) / step)[:, None]
        before, after = ((each[:, :, :size] * part).swapaxes(1, 2) * (DATA / step) for part in (1 - rise, rise))
        data, right = np.zeros((2, m, size, size)), np.zeros((m, size))
        data[0, :-1] += before @ (each[:, :, :size] * (1 - rise))
        data[0, 1:] += after @ (each[:, :, :size] * rise)
        data[1, :-1] = before @ (each[:, :, :size] * rise)
        right[:-1] += (before @ each[:, :, size:])[:, :, 0]
        right[1:] += (after @ each[:, :, size:])[:, :, 0]
        return cls(data, right, _differences(weight, poles))

    def solve(self) -> tuple[Complex, Complex]:
        """Envelope (orders, m), and what the filter would round off of it."""
        m, size = self.right.shape
        poles = len(self.structure) - 1
        band = np.zeros(((poles + 1) * size, m, size))
        for far, a, b in np.ndindex(poles + 1, size, size):
            row = far * size + b - a
            if row >= 0:
                band[row, : m - far, a] = self.structure[far, : m - far] * (a == b)
                band[row, : m - far, a] += self.data[far, : m - far, a, b] if far < 2 else 0.0
        factor = cholesky_banded(band.reshape(len(band), -1), overwrite_ab=True, lower=True)
        found = cho_solve_banded((factor, True), self.right.ravel()).reshape(m, size)
        bent = self.structure[0][:, None] * found
        for far in range(1, poles + 1):
            bent[:-far] += self.structure[far, :-far, None] * found[far:]
            bent[far:] += self.structure[far, :-far, None] * found[:-far]
        rounding = cho_solve_banded((factor, True), bent.ravel()).reshape(m, size)
        rounding[1:-1] += np.diff(found, 2, axis=0) / 12  # straight lines fitted to a curve lie off it by this much at the knots
        return _complex(found), _complex(rounding)

    def noise(self) -> Array:
        """Covariance (orders, m, 2, 2) of the envelope's real and imaginary parts at each knot, for noise of unit variance a sample.

        With data part G, structure P and C(k) the inverse of G + k P it is C G C = d(k C) / dk at k = 1.
        """
        whole, nudged = self._inverse(1.0), self._inverse(1.0 + NUDGE)
        derivative = whole + (nudged - whole) / NUDGE
        pairs = np.arange(derivative.shape[1]).reshape(-1, 2)
        return np.asarray(derivative[:, pairs[:, :, None], pairs[:, None, :]].swapaxes(0, 1))

    def _inverse(self, factor: float) -> Array:
        """Blocks (m, s, s) on the diagonal of the inverse, by elimination from both ends; `factor` multiplies the structure."""
        m, size = self.right.shape
        poles = len(self.structure) - 1
        count = -(-m // poles)
        rows = np.zeros((count * poles, 2 * poles, size, size))  # each knot's blocks, to those of its own group of knots and the next
        unit = np.eye(size)
        for far in range(poles + 1):
            block = factor * self.structure[far, : m - far, None, None] * unit
            if far < 2:
                block = block + self.data[far, : m - far]
            for place in range(poles):
                rows[place : m - far : poles, place + far] = block[place::poles]
        for filler in range(m, count * poles):  # knots that only fill up the last group
            rows[filler, filler % poles] = unit
        upper = rows.reshape(count, poles, 2, poles, size, size).transpose(2, 0, 1, 4, 3, 5).reshape(2, count, poles * size, poles * size)
        own = upper[0] + np.triu(upper[0], 1).swapaxes(1, 2) - np.tril(upper[0], -1)
        inverse = _diagonal_of_inverse(own, upper[1, :-1])
        own_blocks = inverse.reshape(count, poles, size, poles, size)[:, range(poles), :, range(poles)]
        return np.asarray(own_blocks.swapaxes(0, 1).reshape(count * poles, size, size)[:m])


def _diagonal_of_inverse(own: Array, beside: Array) -> Array:
    """Blocks on the diagonal of the inverse of a symmetric block-tridiagonal matrix. own: (n, b, b); beside: (n - 1, b, b) to the right."""
    forward, backward = own.copy(), own.copy()
    for i in range(1, len(own)):
        forward[i] -= beside[i - 1].T @ np.linalg.solve(forward[i - 1], beside[i - 1])
        backward[-1 - i] -= beside[-i] @ np.linalg.solve(backward[-i], beside[-i].T)
    return np.asarray(np.linalg.inv(forward + backward - own), dtype=np.float64)


def _differences(weight: Array, poles: int) -> Array:
    """Multiples (poles + 1, m) of the unit block on the diagonals, of the sum of squared p-th differences, each times its weight."""
    factors = np.array([1.0, -1.0])
    for _ in range(poles - 1):
        factors = np.convolve(factors, [1.0, -1.0])
    rows = weight[poles // 2 : poles // 2 + len(weight) - poles]
    found = np.zeros((poles + 1, len(weight)))
    for a in range(poles + 1):
        for b in range(a, poles + 1):
            found[b - a, a : a + len(rows)] += rows * factors[a] * factors[b]
    return found


def _complex(found: Array) -> Complex:
    return np.asarray((found[:, ::2] + 1j * found[:, 1::2]).T)


def _noise(residual: Array, rate_hz: float, time: Array, frequency: Array, wide: Array, top_hz: float) -> Array:
    """One-sided density (orders, m) of the noise beside each order: median of the bins there, tracked orders left out, frame by frame.

    The median of exponentially distributed power is ln 2 of its mean.
    """
    n = sfft.prev_fast_len(min(int(max(FRAME_S, NEAR / wide.max()) * rate_hz), len(residual)), real=True)
    starts = np.linspace(0, len(residual) - n, max(round(2 * (len(residual) - n) / n), 0) + 1).astype(int)
    window = window_samples("hann", n)
    density = np.empty((len(frequency), len(starts)))
    bins = np.arange(n // 2 + 1) * rate_hz / n
    for i, start in enumerate(starts):
        power = 2 * np.abs(sfft.rfft(residual[start : start + n] * window)) ** 2 / (rate_hz * (window @ window))
        during = (time >= start / rate_hz) & (time <= (start + n) / rate_hz)
        low, high = frequency[:, during].min(axis=1), frequency[:, during].max(axis=1)
        reach = OWN * float(wide[during].max())
        free = (bins > 0) & (bins < top_hz) & ~np.any((bins > low[:, None] - reach) & (bins < high[:, None] + reach), axis=0)
        at = np.flatnonzero(free) if free.any() else np.arange(len(bins))
        for k, (a, b) in enumerate(zip(low, high, strict=True)):
            apart = np.maximum(np.maximum(a - bins[at], bins[at] - b), 0.0)
            beside = at[apart <= max(NEAR * float(wide[during].max()), np.sort(apart)[min(LEAST_BINS, len(at)) - 1])]
            density[k, i] = np.median(power[beside]) / np.log(2)
    middle = (starts + n / 2) / rate_hz
    return np.array([np.interp(time, middle, row) for row in density])
