"""Power of lines above the noise they stand in: what readings are compared by."""

import math

from vibekit.orders import OrderSpectrum
from vibekit.reading import LinePower
from vibekit.window import HANN_LIKENESS, OVERLAP_WORTH

KEPT_WHOLE = 0.9  # share of a line's power that longer blocks must hold
MANY_BLOCKS = 5
CLEAR = 10.0  # times the noise in its bins: from there a line shows how far it wanders


def independent_bins(spectrum: OrderSpectrum, half_width: float = 0.0) -> float:
    """How many independent bins `OrderSpectrum.line_power` gathers in a block."""
    return (2 * max(half_width / spectrum.resolution, 2) + 1) / HANN_LIKENESS


def line_power(spectrum: OrderSpectrum, order: float, half_width: float = 0.0, *, steady: bool = True) -> LinePower:
    """Power of the line at one order above its noise, mean over the blocks, with its standard error.

    Power P of a line with noise of mean power N in m independent bins has the variance (2 P N + N^2) / m (Kay, Estimation Theory
    (1993), section 3.5), over the blocks; their own scatter counts where there are many and it is more, unless the line is not
    steady because the speed is not. How much of what stands under hum is hum nobody knows.
    """
    power, under = spectrum.line_power(order, half_width)
    independent = independent_bins(spectrum, half_width)
    blocks = max(len(power) * OVERLAP_WORTH, 1.0)
    mean, noise = float(power.mean()), float(under.mean())
    deviation = float(power.std(ddof=1)) if steady and len(power) > MANY_BLOCKS else 0.0
    error = max(deviation, math.sqrt((2 * max(mean, 0.0) * noise + noise**2) / independent))
    return LinePower(order, mean, math.hypot(error / math.sqrt(blocks), spectrum.hum_power(order, half_width)), noise, spectrum.unit)


def best_line_power(short: OrderSpectrum, long: OrderSpectrum, order: float) -> LinePower:
    """The line in the longer blocks, whose narrower bins hold less noise, unless a line that wanders is not whole in them."""
    over_short, over_long = line_power(short, order), line_power(long, order)
    whole = over_long.power >= KEPT_WHOLE * (over_short.power - 2 * over_short.error)
    return over_long if whole and over_long.noise < over_short.noise else over_short


def whole_line_power(spectrum: OrderSpectrum, sure: LinePower) -> LinePower:
    """The same line in the one bin that it has in a spectrum of the whole recording, which holds the least noise; `sure` where that shows
    that it wanders too much to be whole in it.
    """
    power = float(spectrum.power[0, round(sure.order / spectrum.resolution)])
    hum = spectrum.hum_power(sure.order)
    noise = float(spectrum.bin_noise(sure.order)[0]) + hum
    clear = power - noise
    if sure.power > CLEAR * sure.noise and clear < KEPT_WHOLE * (sure.power - 2 * sure.error):
        return sure
    return LinePower(sure.order, clear, math.hypot(math.sqrt(2 * max(clear, 0.0) * noise + noise**2), hum), noise, sure.unit)
