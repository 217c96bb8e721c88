"""Displacement, velocity and acceleration of one sine turned into each other; a length of time in words."""

import math

from vibekit.errors import UsageError, check_choice

STANDARD_GRAVITY = 9.80665  # m/s2, exact (ISO 80000-3)

# unit: (its size in m, m/s or m/s2; how often displacement is differentiated to get there)
MOTION_UNITS = {"µm": (1e-6, 0), "mm": (1e-3, 0), "mm/s": (1e-3, 1), "m/s": (1.0, 1), "m/s2": (1.0, 2), "g": (STANDARD_GRAVITY, 2)}


def convert(value: float, unit: str, to: str, frequency_hz: float | None = None) -> float:
    """Give the amplitude of a sine in another unit of motion; peak stays peak and rms stays rms.

    unit, to: of MOTION_UNITS; frequency_hz: of the sine, above 0, needed between displacement, velocity and acceleration
    Raises UsageError. For one frequency only: a spectrum is converted bin by bin, a time signal by filtering.
    """
    check_choice("unit", unit, MOTION_UNITS)
    check_choice("unit", to, MOTION_UNITS)
    (size, order), (new_size, new_order) = MOTION_UNITS[unit], MOTION_UNITS[to]
    if order == new_order:
        return value * size / new_size
    if frequency_hz is None or not frequency_hz > 0:
        raise UsageError(f"frequency is {frequency_hz} Hz; turning {unit} into {to} needs the sine's frequency, above 0")
    return value * size / new_size * (2 * math.pi * frequency_hz) ** (new_order - order)


def duration(seconds: float) -> str:
    """Write a length of time of 0 s or more, in ms below a second."""
    return f"{1000 * seconds:.3g} ms" if seconds < 0.9995 else f"{seconds:.1f} s"
