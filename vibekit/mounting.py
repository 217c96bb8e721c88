"""What the fixing of an accelerometer does to what it reads."""

import math

from vibekit.errors import UsageError

FIXINGS = ("stud", "adhesive", "magnet", "hand")  # from the highest mounted resonance to the lowest: ISO 5348, order from memory


def mounted_gain(frequency_hz: float, resonance_hz: float) -> float:
    """Give the factor by which a fixed sensor reads high: 1 / (1 - r^2), r = frequency / mounted resonance.

    One undamped degree of freedom. ISO 5348 asks for a resonance above 5 times the highest frequency of interest: 4 % there.
    Raises UsageError unless 0 <= frequency < resonance.
    """
    if not 0 <= frequency_hz < resonance_hz:
        raise UsageError(f"frequency is {frequency_hz:g} Hz; it must be from 0 to below the mounted resonance of {resonance_hz:g} Hz")
    return 1 / (1 - (frequency_hz / resonance_hz) ** 2)


def highest_frequency(resonance_hz: float, error: float) -> float:
    """Give the frequency below which a fixed sensor reads high by no more than `error` (0.1 is 10 %).

    Raises UsageError unless error is above 0.
    """
    if not error > 0:
        raise UsageError(f"error is {error:g}; it must be above 0, 0.1 for 10 %")
    return resonance_hz * math.sqrt(error / (1 + error))
