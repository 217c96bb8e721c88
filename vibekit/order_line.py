"""Lines of an order spectrum: peak amplitude with its 95 % interval."""

import math
from collections.abc import Sequence

import numpy as np
from scipy.special import chdtri

from vibekit.normal import Z95
from vibekit.orders import OrderSpectrum
from vibekit.powers import line_power
from vibekit.reading import LinePower, OrderLine
from vibekit.window import OVERLAP_WORTH

CERTAIN = 5.0  # standard errors from which a line is there and its phase must hold still for the others' to be believed
TWO_SIDED = 2.0  # standard errors that the power of a mean vector may lie below the mean power
STEADY = 0.95  # of noise alone: vectors of blocks that scatter more are not those of one line at one angle


def order_lines(spectrum: OrderSpectrum, wanted: Sequence[tuple[float, str, float]]) -> tuple[OrderLine, ...]:
    """Amplitude of each (order, name, half width in orders) wanted.

    Where the shaft's angle is known well enough for every certain line to keep its phase, and the line's own vectors scatter from block to
    block no more than noise does, they are averaged, which is the least-squares fit of the line to the whole record (variance of the
    amplitude = noise power of one bin / blocks: Kay, Estimation Theory (1993), example 3.14). Else, and where a line is gathered over a
    width, their powers are averaged, and the phase is given up.
    """
    powers = [line_power(spectrum, order, width) for order, _, width in wanted]
    vectors = [None if width else _mean_vector(spectrum, order) for order, _, width in wanted]
    certain = [(p, v) for p, v in zip(powers, vectors, strict=True) if v is not None and p.power > CERTAIN * p.error]
    still = all(abs(v[0]) ** 2 / 2 > p.power - TWO_SIDED * p.error for p, v in certain)
    return tuple(
        _coherent(p, *v, name) if v is not None and still else _incoherent(p, name)
        for p, v, (_, name, _) in zip(powers, vectors, wanted, strict=True)
    )


def _mean_vector(spectrum: OrderSpectrum, order: float) -> tuple[complex, float, float] | None:
    """Mean over the blocks of the vector at one order, its standard error in any one direction, and the noise's amplitude in one block.

    None where the blocks' vectors do not hold still, hum stands there, or the order lies between two bins or beyond the last.
    """
    at = order / spectrum.resolution
    if spectrum.vectors is None or abs(at - round(at)) > 1e-6 or at >= len(spectrum.order) or spectrum.hum_power(order):
        return None
    each = spectrum.vectors[:, round(at)].astype(np.complex128)
    noise = float(spectrum.bin_noise(order).mean())  # half the mean square of the noise's vector
    free = 2 * (len(each) - 1) * OVERLAP_WORTH
    if free and float(np.sum(np.abs(each - each.mean()) ** 2)) * OVERLAP_WORTH > noise * chdtri(free, 1 - STEADY):
        return None
    return complex(each.mean()), math.sqrt(noise / (1 + (len(each) - 1) * OVERLAP_WORTH)), math.sqrt(2 * noise)


def _coherent(power: LinePower, vector: complex, error: float, floor: float, name: str) -> OrderLine:
    """The mean vector's length, less what noise adds to it."""
    found = abs(vector)
    amplitude = math.sqrt(max(found**2 - 2 * error**2, 0.0))
    return OrderLine(power.order, name, amplitude, found + Z95 * error - amplitude, power.unit, floor)


def _incoherent(power: LinePower, name: str) -> OrderLine:
    mean = max(power.power, 0.0)
    amplitude, reach = math.sqrt(2 * mean), Z95 * power.error
    above, below = math.sqrt(2 * (mean + reach)) - amplitude, amplitude - math.sqrt(2 * max(mean - reach, 0.0))
    return OrderLine(power.order, name, amplitude, max(above, below), power.unit, math.sqrt(2 * power.noise))
