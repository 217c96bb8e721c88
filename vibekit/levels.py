"""Levels in decibels: of lines at orders, and of the broadband noise between them."""

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import chdtri, stdtrit

from vibekit.decibel import POWER_DB
from vibekit.long_transform import Real
from vibekit.median import MAD_TO_SD, median
from vibekit.normal import Z95
from vibekit.orders import OrderSpectrum
from vibekit.powers import independent_bins
from vibekit.reading import HIDDEN, Quantity
from vibekit.transform import Transform
from vibekit.window import HANN_LIKENESS, HANN_POWER, OVERLAP_WORTH, hann_windowed

Array = npt.NDArray[np.float64]
OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)  # nominal octave mid-bands, IEC 61260-1:2014
SEEN = 0.5  # of the power of the noise in its bins, from which a line counts: how even that noise is nobody knows
# variance of the median of bins under a Hann window in that of independent ones: one and the next are above it together in 0.315 of all
# cases, not 0.25 (W.F. Kibble, Sankhya 5 (1941) 137-150: two exponential values whose correlation is 4/9; 1/36 of one and the one after)
MEDIANS_ALIKE = 1.55
# variance of a line's power in noise alone in that of its bins: the median of the six times as many beside them is not known either
UNDER_TOO = 1 + MEDIANS_ALIKE / (6 * math.log(2) ** 2 * HANN_LIKENESS)
GATHERED_WORTH = 0.92  # as OVERLAP_WORTH, of a line gathered over its main lobe: windows squared that half overlap share 0.043
STEADY = 0.95  # of steady lines in noise scatter less


def level_of(spectrum: OrderSpectrum, orders: tuple[float, ...], name: str, half_width: tuple[float, ...] | None = None) -> Quantity:
    """Power of several orders together, dB re (one unit)^2, with its 95 % interval.

    A sum that stands less than HIDDEN standard errors above 0, or below SEEN of the noise in its own bins, gives the most that it may be:
    the upper end of the interval of a power P in noise N, whose estimate has the variance 2 P N + N^2 (Kay, Estimation Theory (1993),
    section 3.5), taken at P (the score interval: E.B. Wilson, J. Am. Stat. Assoc. 22 (1927) 209-212). That end is one of 97.5 %, so
    that choosing by the sum itself what is said of it keeps 95 %, which a limit of 95 % would not (G.J. Feldman and R.D. Cousins,
    Phys. Rev. D 57 (1998) 3873, section IV.B). The interval of a sum that clears its noise is as wide as its wider side.
    """
    widths = half_width or (0.0,) * len(orders)
    each = [spectrum.line_power(order, width) for order, width in zip(orders, widths, strict=True)]
    total = np.sum([power for power, _ in each], axis=0)
    noise = np.array([under.mean() for _, under in each])
    free = max(len(total) * GATHERED_WORTH, 1.0) * np.array([independent_bins(spectrum, width) for width in widths])
    mean, above = float(total.mean()), max(float(total.mean()), 0.0)
    cross, own = float((2 * noise / free).max()), float((noise**2 * UNDER_TOO / free).sum())
    own += sum(spectrum.hum_power(order, width) for order, width in zip(orders, widths, strict=True)) ** 2
    own = max(own, _wandering(total, cross * above + own) - cross * above)
    least = max(SEEN * float(noise.sum()), HIDDEN * math.sqrt(cross * above + own), np.finfo(float).tiny)
    middle = above + Z95**2 * cross / 2
    reach = math.sqrt(middle**2 - above**2 + Z95**2 * own)
    if mean < least:
        return Quantity(name, POWER_DB * math.log(max(middle + reach, least)), math.inf, "dB")
    return Quantity(name, POWER_DB * math.log(mean), POWER_DB * math.log(max(mean / (middle - reach), (middle + reach) / mean)), "dB")


def _wandering(total: Array, variance: float) -> float:
    """Variance of the mean of total (blocks,) by its own scatter, for Z95 to hold 95 %; 0 where `variance` explains that scatter."""
    free = (len(total) - 1) * GATHERED_WORTH
    own = float(total.var(ddof=1)) / (len(total) * GATHERED_WORTH) if len(total) > 2 else 0.0
    if own * free <= variance * chdtri(max(free, 1.0), 1 - STEADY):
        return 0.0
    return own * (float(stdtrit(free, 0.975)) / Z95) ** 2


def unsteadiness(spectrum: OrderSpectrum) -> Quantity | None:
    """How much the power of 1x wanders from block to block, dB: 10 log10 of its coefficient of variation.

    None with fewer than six blocks or where the line does not stand 10 dB above its noise.
    """
    power, under = spectrum.line_power(1.0)
    if len(power) < 6 or power.mean() < 10 * under.mean() or power.mean() <= 0:
        return None
    variation = max(float(power.std(ddof=1) / power.mean()), 1e-4)
    u95 = POWER_DB * Z95 / np.sqrt(2 * (len(power) * OVERLAP_WORTH - 1))
    return Quantity("unsteadiness", float(POWER_DB * np.log(variation)), float(u95), "dB")


def peak_of_run_up(spectrum: OrderSpectrum) -> Quantity | None:
    """How far 1x rises above its own middle somewhere in a run-up, dB, after the rise with speed squared is taken out.

    A force of unbalance alone gives a flat line (power over speed to the fourth); a resonance gives a peak where a mode is passed.
    None when the speed changes by less than a fifth or fewer than eight blocks are there.
    """
    power, under = spectrum.line_power(1.0)
    speed = spectrum.speed_hz
    if len(power) < 8 or speed.max() < 1.2 * speed.min():
        return None
    level = POWER_DB * np.log(np.maximum(power, np.maximum(under, 1e-300)) / speed**4)[np.argsort(speed)]
    smooth = np.convolve(level, np.full(3, 1 / 3), mode="valid")
    scatter = MAD_TO_SD * float(np.median(np.abs(level[1:-1] - smooth))) * np.sqrt(3 / 2)  # about a mean of three that holds it
    return Quantity("resonance", float(smooth.max() - np.median(smooth)), float(Z95 * scatter / np.sqrt(3)), "dB")


def octave_levels(stretches: Sequence[Sequence[Transform]], top_hz: float) -> tuple[Quantity, ...]:
    """Broadband level of each octave band below `top_hz`, dB re (one unit)^2 per Hz, lines left out.

    stretches: of a record, each with a transform a channel, whose powers are added
    Each third of an octave in each channel gives the median of its bins under a Hann window, which keeps strong lines from leaking into
    all of them, corrected for the median of chi-square noise (ln 2). The median of n such bins scatters by 1 / (ln 2 sqrt n), more as
    neighbours are alike; channels scatter together as far as their bins do.
    """
    found = []
    for middle in OCTAVES_HZ:
        edges = middle * 2.0 ** (np.arange(-3, 4, 2) / 6)
        if edges[-1] > top_hz:
            break
        bins = [
            [np.concatenate([_density(t, *third) for t in channel]) for third in pairwise(edges)]
            for channel in zip(*stretches, strict=True)
        ]
        level = np.array([np.mean([median(third) for third in thirds]) for thirds in bins], dtype=np.float64) / np.log(2)
        total = max(float(level.sum()), np.finfo(float).tiny)
        error = np.sqrt(MEDIANS_ALIKE * sum(1 / third.size for third in bins[0])) / 3 / np.log(2) * _apart(level / total, bins)
        found.append(Quantity(f"octave {middle:g} Hz", float(POWER_DB * np.log(total)), float(Z95 * POWER_DB * error), "dB"))
    return tuple(found)


def _apart(share: Array, bins: list[list[Real]]) -> float:
    """Scatter of a sum of channels with these shares (channels,) of it, in that of one alone: correlation of their bins' logarithms."""
    if share.size == 1:
        return 1.0
    likeness = np.corrcoef([np.log(np.maximum(np.concatenate(thirds), np.finfo(np.float32).tiny)) for thirds in bins])
    return float(np.sqrt(share @ np.maximum(likeness, 0) @ share))


def _density(transform: Transform, low_hz: float, high_hz: float) -> Real:
    """Power a Hz of each bin of a band under a Hann window."""
    first = max(transform.index(low_hz), 1)
    bins = hann_windowed(transform.bins, slice(first, max(transform.index(high_hz), first + 4)))
    power = bins.real**2 + bins.imag**2
    power *= 2 / (HANN_POWER * transform.n * transform.rate_hz)
    return power
