"""The squared envelope: does the high band pulse at a bearing's defect orders, once a turn, or at random?"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from numpy.lib.stride_tricks import sliding_window_view

from vibekit.long_transform import Complex, Real, long_rfft
from vibekit.orders import RANGES, at_angles
from vibekit.resample import QUICK, read_at
from vibekit.transform import USED, Transform, running_floor

Array = npt.NDArray[np.float64]
ROOM = 1.1  # of the order band, that the low-pass leaves
PARTS, TURN_ORDERS = 8, 5  # into which a record is divided to see what its whole orders do, and up to which
SOME = 8  # frames transformed side by side
FLOOR = 1.0  # orders over which the noise is taken to be even: clicks that ring or echo colour their own envelope


@dataclass(frozen=True, slots=True)
class EnvelopeSpectrum:
    """Order spectrum of the squared envelope of one band.

    order: (m,) from 0; ratio: (m,) mean power over blocks divided by the local noise floor (1 where there is only noise);
    unit: (m,) what a line of amplitude 1, the envelope's mean, adds to `ratio`, all its bins together
    blocks: how many blocks were averaged; resolution: distance of bins in orders; band_hz: the band enveloped
    turn_error: relative standard error of the power of the first TURN_ORDERS whole orders together, from how it differs between PARTS
    """

    order: Array
    ratio: Array
    unit: Array
    blocks: float
    resolution: float
    band_hz: tuple[float, float]
    turn_error: float

    def levelled(self, span: float) -> "EnvelopeSpectrum":
        """The same over a floor that follows hills down to `span` orders: what echoes make of clicks at random, a hill at every multiple
        of one rate, is then no comb, and neither is a line as wide as the span.
        """
        hills = np.maximum(_noise_floor(self.ratio, max(int(span / self.resolution), 16), self.blocks), 1.0)
        return replace(self, ratio=self.ratio / hills, unit=self.unit / hills)


def squared_envelope(transform: Transform, low_hz: float, high_hz: float) -> tuple[Real, float]:
    """Squared envelope of a band, (m,) mean 1, and its rate in Hz."""
    analytic, rate = transform.analytic(low_hz, high_hz)
    return squared(analytic), rate


def squared(analytic: Complex) -> Real:
    """Squared magnitude (m,) of a complex envelope (m,), its mean 1."""
    squared: Real = analytic.real**2 + analytic.imag**2
    squared /= max(float(squared.mean()), float(np.finfo(np.float32).tiny))
    return squared


def envelope_spectrum(
    squared: Real,
    rate_hz: float,
    turns_at_s: tuple[Array, Array],
    *,
    band_hz: tuple[float, float],
    max_order: float,
    leave_out_s: RANGES = (),
    block_turns: int = 512,
) -> EnvelopeSpectrum | None:
    """Order spectrum of a squared envelope, squared-envelope strategy of Randall & Antoni (2011) section 5, in the order domain.

    squared: (m,) mean 1, from the start of the record; times left out are set to the mean. None when fewer than eight turns fit.
    """
    time, turns = turns_at_s
    total = turns[-1] - turns[0]
    if total < 8:
        return None
    if leave_out_s:
        squared = squared.copy()
    for start, stop in leave_out_s:
        squared[max(int(start * rate_hz) - 2, 0) : int(stop * rate_hz) + 3] = 1.0
    top_hz = float(np.gradient(turns, time).max())
    max_order = min(max_order, USED * rate_hz / top_hz)
    per_turn = sfft.next_fast_len(int(np.ceil((1 + ROOM) * max_order)), real=True)  # what the low-pass leaves above folds to above
    bins = long_rfft(squared)
    bins[0] = 0
    y = read_at(Transform(bins, len(squared), rate_hz), at_angles(turns_at_s, per_turn), ROOM * max_order * top_hz, QUICK)
    block = int(min(block_turns, total))
    n = block * per_turn
    window = (1 - np.cos((2 * np.pi / n * np.arange(n)).astype(np.float32))) / 2
    frames = sliding_window_view(y, n)[:: n // 2]
    power = np.zeros(int(max_order * block) + 1)
    for first in range(0, len(frames), SOME):
        some = frames[first : first + SOME]
        part = some - some.mean(axis=1, keepdims=True)
        part *= window
        bins = sfft.rfft(part, axis=1)[:, : len(power)]
        power += np.sum(bins.real**2 + bins.imag**2, axis=0)
    blocks = 1.0 if len(frames) == 1 else 0.95 * len(frames)  # Hann, half overlap: correlation 1/6 (Harris 1978) costs about 5 %
    floor = np.maximum(_noise_floor(power, max(int(FLOOR * block), 16), blocks), np.finfo(float).tiny)
    unit = len(frames) * n * float(window @ window) / 4 / floor  # Parseval: half of the amplitude at its positive frequency
    return EnvelopeSpectrum(np.arange(len(power)) / block, power / floor, unit, blocks, 1 / block, band_hz, _turn_error(y, per_turn))


def _noise_floor(power: Array, width: int, blocks: float) -> Array:
    """Mean of noise under each bin, (n,), by the median of `width` about it; power: (n,) mean over so many blocks.

    The median of an exponential law is log 2 of its mean, of a gamma law of shape k nearly 1 - 1 / (3 k) (Choi, Proc. Am. Math. Soc.
    121 (1994) 245-251: from memory).
    """
    share = 1 - 1 / (3 * blocks) if blocks > 1 else float(np.log(2))
    return np.asarray(running_floor(power, width) / share)


def _turn_error(y: Real, per_turn: int) -> float:
    """See EnvelopeSpectrum.turn_error; of an envelope read at equal angles, (n,), from each part's average turn."""
    many = len(y) // per_turn // PARTS
    average = y[: PARTS * many * per_turn].reshape(PARTS, many, per_turn).mean(axis=1)
    lines = np.sum(np.abs(sfft.rfft(average, axis=1)[:, 1 : TURN_ORDERS + 1]) ** 2, axis=1)
    return float(np.std(lines, ddof=1) / max(lines.mean(), np.finfo(float).tiny) / np.sqrt(PARTS))
