"""Clicks of a bearing while its rotor coasts down by itself: how many a turn, and how evenly they come."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter, uniform_filter1d

from vibekit.clicks import poisson_u95, unevenness
from vibekit.envelope import squared_envelope
from vibekit.median import MAD_TO_SD
from vibekit.spin_track import Spin
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
LOWEST_HZ = 3000.0  # above the tone of cogging and most of its harmonics
SMOOTH_S, APART_S, AROUND_S = 0.001, 0.003, 0.25
STANDS_OUT = 4.5  # robust standard deviations of the envelope's logarithm: noise alone does it less than once an hour
LEAST_CLICKS = 10  # for their spacing


@dataclass(frozen=True, slots=True)
class Clicks:
    """Clicks in the coast-downs of one recording: count of them, in how many turns, and the spacings between them in turns, (k,)."""

    count: int
    turns: float
    spacing: Array

    @property
    def rate(self) -> tuple[float, float]:
        """Clicks a turn that APART_S tell apart, and half width of the 95 % interval of a Poisson count."""
        return self.count / self.turns, poisson_u95(self.count) / self.turns

    @property
    def unevenness(self) -> tuple[float, float] | None:
        """Standard deviation of the spacing over its mean, see `vibekit.clicks.unevenness`; None with few clicks."""
        return unevenness(self.spacing) if self.spacing.size >= LEAST_CLICKS else None


def find_clicks(transform: Transform, spins: tuple[Spin, ...]) -> Clicks | None:
    """Count what stands out of the noise around it in the high band; None where the sensor is too slow to have one.

    The band is whitened, so that harmonics of the cogging tone do not count, and its squared envelope held against its median over a
    quarter of a second.
    """
    top = 0.45 * transform.rate_hz
    if top < 1.5 * LOWEST_HZ or not spins:
        return None
    squared, rate = squared_envelope(transform.whitened(LOWEST_HZ, top), LOWEST_HZ, top)
    by = max(int(SMOOTH_S * rate / 2), 1)
    level = np.log(np.maximum(uniform_filter1d(squared, max(int(SMOOTH_S * rate), 1))[::by], 1e-12))
    rate /= by
    count, turns, spacing = 0, 0.0, []
    for spin in spins:
        first, last = int(spin.time_s[0] * rate), int(spin.time_s[-1] * rate) + 1
        part = level[first:last]
        rise = part - median_filter(part, max(int(AROUND_S * rate), 3), mode="nearest")
        peaks = rise == maximum_filter1d(rise, max(int(2 * APART_S * rate), 3))
        at = np.flatnonzero(peaks & (rise > STANDS_OUT * MAD_TO_SD * np.median(np.abs(rise))))
        angle = np.concatenate(([0.0], np.cumsum(np.diff(spin.time_s) * (spin.hz[1:] + spin.hz[:-1]) / 2)))
        count += at.size
        turns += float(angle[-1])
        spacing.append(np.diff(np.interp((first + at) / rate, spin.time_s, angle)))
    return Clicks(count, turns, np.concatenate(spacing))
