"""Frequency weightings of sound level meters and the exact frequencies of fractional-octave bands."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError

Array = npt.NDArray[np.float64]

_OCTAVE = 10**0.3  # frequency ratio of an octave, base ten: IEC 61260-1:2014, eq. 1


def _poles() -> tuple[float, float, float, float]:
    """Pole frequencies, Hz: IEC 61672-1:2013, Annex E, eq. E.2 to E.9, from 10^1.5, 10^2.45, 10^3.9 Hz and 3 dB."""
    reference, low, corner, high = 1e3**2, (10**1.5) ** 2, 10**2.45, (10**3.9) ** 2
    d = math.sqrt(0.5)
    b = (reference + low * high / reference - d * (low + high)) / (1 - d)
    root = math.sqrt(b**2 - 4 * low * high)
    golden = math.sqrt(5)
    return math.sqrt((-b - root) / 2), (3 - golden) / 2 * corner, (3 + golden) / 2 * corner, math.sqrt((-b + root) / 2)


POLES_HZ = _poles()


def c_weighting_db(frequency_hz: npt.ArrayLike) -> Array:
    """Give the C-weighting, dB, of frequencies of any shape, above 0 Hz (IEC 61672-1:2013, eq. E.1)."""
    return _c_response(frequency_hz) - _c_response(1000.0)


def a_weighting_db(frequency_hz: npt.ArrayLike) -> Array:
    """Give the A-weighting, dB, of frequencies of any shape, above 0 Hz (IEC 61672-1:2013, eq. E.6)."""
    return _a_response(frequency_hz) - _a_response(1000.0)


@dataclass(frozen=True, slots=True)
class Band:
    """A fractional-octave band: its edges and exact mid-band frequency, Hz."""

    low_hz: float
    middle_hz: float
    high_hz: float


def octave_band(index: int, parts: int = 1) -> Band:
    """Give band `index` of 1/parts octave; index 0 lies at 1 kHz, or just above it when parts is even (IEC 61260-1:2014, eq. 2 to 5).

    Raises UsageError unless parts is at least 1.
    """
    if parts < 1:
        raise UsageError(f"parts of an octave is {parts}; it must be at least 1")
    middle = 1000 * _OCTAVE ** (index / parts if parts % 2 else (2 * index + 1) / (2 * parts))
    half = _OCTAVE ** (1 / (2 * parts))
    return Band(middle / half, middle, middle * half)


def _c_response(frequency_hz: npt.ArrayLike) -> Array:
    square = _squared(frequency_hz)
    f1, _, _, f4 = POLES_HZ
    return np.asarray(20 * np.log10(f4**2 * square / ((square + f1**2) * (square + f4**2))))


def _a_response(frequency_hz: npt.ArrayLike) -> Array:
    square = _squared(frequency_hz)
    _, f2, f3, _ = POLES_HZ
    return np.asarray(_c_response(frequency_hz) + 20 * np.log10(square / np.sqrt((square + f2**2) * (square + f3**2))))


def _squared(frequency_hz: npt.ArrayLike) -> Array:
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if not np.all(frequency > 0):
        raise UsageError(f"frequency is {frequency.min():g} Hz; a weighting is defined above 0")
    return frequency**2
