"""Levels in decibels: of lines at orders, and of the broadband noise between them."""

from collections.abc import Sequence
from itertools import pairwise
from typing import cast

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from vibekit.long_transform import Complex, Real
from vibekit.median import MAD_TO_SD, median
from vibekit.orders import OVERLAP_WORTH, OrderSpectrum
from vibekit.reading import Quantity
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
OCTAVES_HZ = (125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)  # nominal octave mid-bands, IEC 61260-1:2014
DB = 10 / np.log(10)
HANN_POWER = 3 / 8  # mean square of the window
SEEN, CERTAIN = 0.5, 3.0  # a line counts from half the power of the noise in its bins and three standard errors of its own
LOST_DB = 4.0  # a level with a wider interval is that of the noise it hides in


def level_of(spectrum: OrderSpectrum, orders: tuple[float, ...], name: str, half_width: tuple[float, ...] | None = None) -> Quantity:
    """Power of several orders together, dB re (one unit)^2, with its 95 % interval.

    A sum below the noise in its own bins is put at that noise, with an interval of LOST_DB and more: what is not seen is at most that.
    """
    widths = half_width or (0.0,) * len(orders)
    each = [spectrum.line_power(order, width) for order, width in zip(orders, widths, strict=True)]
    total = np.sum([power for power, _ in each], axis=0)
    under = np.sum([noise for _, noise in each], axis=0)
    blocks = max(len(total) * OVERLAP_WORTH, 1.0)
    mean = float(total.mean())
    deviation = float(total.std(ddof=1)) if len(total) > 2 else float(under.mean())
    error = max(deviation / np.sqrt(blocks), float(under.mean()) / np.sqrt(blocks * len(orders)), np.finfo(float).tiny)
    error = max(error, sum(spectrum.hum_power(order, width) for order, width in zip(orders, widths, strict=True)))
    hidden = float(under.mean())
    least = max(SEEN * hidden, CERTAIN * error)
    if mean < least:
        return Quantity(name, float(DB * np.log(least)), LOST_DB + 1.0, "dB")
    quantile = float(stdtrit(max(blocks - 1, 2), 0.975))
    return Quantity(name, float(DB * np.log(mean)), min(float(DB * np.log1p(quantile * error / mean)), LOST_DB), "dB")


def unsteadiness(spectrum: OrderSpectrum, order: float = 1.0) -> Quantity | None:
    """How much the power of one order wanders from block to block, dB: 10 log10 of its coefficient of variation.

    None with fewer than six blocks or where the line does not stand 10 dB above its noise.
    """
    power, under = spectrum.line_power(order)
    if len(power) < 6 or power.mean() < 10 * under.mean() or power.mean() <= 0:
        return None
    variation = max(float(power.std(ddof=1) / power.mean()), 1e-4)
    u95 = DB * 1.96 / np.sqrt(2 * (len(power) * OVERLAP_WORTH - 1))
    return Quantity("unsteadiness", float(DB * np.log(variation)), float(u95), "dB")


def peak_of_run_up(spectrum: OrderSpectrum) -> Quantity | None:
    """How far 1x rises above its own middle somewhere in a run-up, dB, after the rise with speed squared is taken out.

    A force of unbalance alone gives a flat line (power over speed to the fourth); a resonance gives a peak where a mode is passed.
    None when the speed changes by less than a fifth or fewer than eight blocks are there.
    """
    power, under = spectrum.line_power(1.0)
    speed = spectrum.speed_hz
    if len(power) < 8 or speed.max() < 1.2 * speed.min():
        return None
    level = DB * np.log(np.maximum(power, np.maximum(under, 1e-300)) / speed**4)[np.argsort(speed)]
    smooth = np.convolve(level, np.full(3, 1 / 3), mode="valid")
    scatter = MAD_TO_SD * float(np.median(np.abs(level[1:-1] - smooth)))
    return Quantity("resonance", float(smooth.max() - np.median(smooth)), float(1.96 * scatter / np.sqrt(3)), "dB")


def hann_windowed(bins: Complex, band: slice) -> Complex:
    """Bins of a band of the transform, as if the record had been Hann windowed: three neighbours weighed 1/4, 1/2, 1/4 (Harris 1978)."""
    wide = bins[band.start - 1 : band.stop + 1]
    return cast("Complex", np.diff(wide, 2) * wide.dtype.type(-0.25))


def octave_levels(stretches: Sequence[Sequence[Transform]], top_hz: float) -> tuple[Quantity, ...]:
    """Broadband level of each octave band below `top_hz`, dB re (one unit)^2 per Hz, lines left out.

    stretches: of a record, each with a transform a channel, whose powers are added
    Each third of an octave gives the median of its bins under a Hann window, which keeps strong lines from leaking into all of them,
    corrected for the median of chi-square noise (ln 2).
    """
    found = []
    for middle in OCTAVES_HZ:
        edges = middle * 2.0 ** (np.arange(-3, 4, 2) / 6)
        if edges[-1] > top_hz:
            break
        bins = [np.concatenate([_density(transforms, low, high) for transforms in stretches]) for low, high in pairwise(edges)]
        value = max(float(np.mean([median(third) for third in bins])) / np.log(2), np.finfo(float).tiny)
        count = sum(map(len, bins))
        u95 = 1.96 * DB * 1.44 / np.sqrt(max(count, 4))  # the median of n exponential bins scatters by 1 / (ln 2 sqrt n)
        found.append(Quantity(f"octave {middle:g} Hz", float(DB * np.log(value)), float(u95), "dB"))
    return tuple(found)


def _density(transforms: Sequence[Transform], low_hz: float, high_hz: float) -> Real:
    """Power a Hz of each bin of a band under a Hann window, all channels together."""
    first = transforms[0]
    band = slice(max(first.index(low_hz), 1), max(first.index(high_hz), first.index(low_hz) + 4))
    power, *others = (bins.real**2 + bins.imag**2 for bins in (hann_windowed(t.bins, band) for t in transforms))
    for other in others:
        power += other
    power *= 2 / (HANN_POWER * first.n * first.rate_hz)
    return power
