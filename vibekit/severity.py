"""Severity zones of industrial machines. They do not apply to a multirotor's motors and must not be shown for one.

ISO 20816-1:2016 (before it ISO 10816-1:1995) judges broadband velocity, 10 to 1000 Hz, on the bearing housings of industrial machines.
A drone's motor is neither, and the standard itself says that its values are no acceptance specification.
"""

from typing import Literal

from vibekit.errors import UsageError

Zone = Literal["A", "B", "C", "D"]

BAND_HZ = (10.0, 1000.0)
SMALL_MACHINES = (0.71, 1.8, 4.5)  # mm/s rms between A, B, C and D: class I, to 15 kW; ISO 10816-1:1995 Table B.1
BOUNDARY_RANGES = ((0.71, 4.5), (1.8, 9.3), (4.5, 14.7))  # mm/s rms: where each boundary may be set; ISO 20816-1:2016 Table C.1
BOUNDARY_RATIOS = (1.0, 2.56, 6.4)  # of B, C and D to the first; ISO 20816-1:2016 Table C.2


def industrial_zone(velocity_mm_s: float, boundaries: tuple[float, float, float] = SMALL_MACHINES) -> Zone:
    """Give the zone of an industrial machine's housing velocity, mm/s rms in 10 to 1000 Hz; a boundary belongs to the better zone.

    Raises UsageError for a negative or missing velocity.
    """
    if not velocity_mm_s >= 0:
        raise UsageError(f"velocity is {velocity_mm_s:g} mm/s rms; it must be 0 or above")
    return ("A", "B", "C", "D")[sum(velocity_mm_s > boundary for boundary in boundaries)]
