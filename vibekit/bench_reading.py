"""Measurements typed in from the bench: read with their units, then compared.

How far healthy motors of one kind lie apart is common practice, no source. What a difference is worth is the likelihood ratio of two normal
distributions: as healthy ones scatter, and as a hurt one may differ.
"""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from vibekit.errors import UsageError
from vibekit.normal import Z95

_NUMBER = r"([+-]?\d+\.?\d*(?:e[+-]?\d+)?)"
_MARGIN = r"(?:\s*,?\s*(?:±|\+/?-)\s*" + _NUMBER + r"\s*(?:m?A|m?ohm|mΩ|Ω)?)?"
_CURRENT = re.compile(_NUMBER + r"\s*(m?)A\s+at\s+" + _NUMBER + r"\s*(rpm|Hz)" + _MARGIN, re.IGNORECASE)
_TEMPERATURE = re.compile(_NUMBER + r"\s*°?\s*C(?:[\s,]+(?:in\s+)?air(?:\s+of)?\s+" + _NUMBER + r"\s*°?\s*C)?", re.IGNORECASE)
_RESISTANCE = re.compile(r"\s*[\s,/]\s*".join([_NUMBER] * 3) + r"\s*(m?)(?:ohm|Ω)" + _MARGIN, re.IGNORECASE)

SAME_SPEED = 0.05  # currents are compared when their speeds lie this close
CURRENT_SCATTER = 0.10  # sd of the logarithm of no-load current among motors of one kind
WARMTH_SCATTER = 0.15  # sd of the logarithm of the case's rise above air
WINDING_SCATTER = 0.01  # relative sd of one phase-to-phase resistance of one motor
METER_U95 = 0.02  # relative, taken for a meter when none is stated
RANGE_MEAN, RANGE_SD = 1.693, 0.888  # of three normal values, in sd (Tippett 1925; control-chart constants d2 and d3 for n = 3)
BURNS_C = 60.0  # bare metal this hot burns skin within seconds (ISO 13732-1, from memory)


@dataclass(frozen=True, slots=True)
class Current:
    """No-load current in A at a shaft speed in rpm; u95: half width of its 95 % interval, None when not stated."""

    ampere: float
    rpm: float
    u95: float | None = None


@dataclass(frozen=True, slots=True)
class Temperature:
    """Temperature of the motor's case and of the air, in degrees Celsius; air None when not stated."""

    case_c: float
    air_c: float | None = None


@dataclass(frozen=True, slots=True)
class Resistance:
    """Phase-to-phase resistances in ohm; u95: half width of the 95 % interval of each, None when not stated."""

    ohm: tuple[float, float, float]
    u95: float | None = None

    @property
    def spread(self) -> float:
        """Range over mean."""
        return (max(self.ohm) - min(self.ohm)) * 3 / sum(self.ohm)


def read_current(text: str) -> Current:
    """Read "0.42 A at 6000 rpm", with "+- 0.02 A" if known. Raises UsageError."""
    match = _CURRENT.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"no-load-current is {text!r}; write it with its speed, such as '0.42 A at 6000 rpm'")
    milli = 1e-3 if match[2] else 1.0
    ampere, rpm = float(match[1]) * milli, float(match[3]) * (60 if match[4].lower() == "hz" else 1)
    if not (0 < ampere < 1000 and 0 < rpm < 1e6):
        raise UsageError(f"no-load-current is {text!r}; current must be above 0 and below 1000 A, speed above 0 and below 1 000 000 rpm")
    return Current(ampere, rpm, _margin(match[5], milli, "no-load-current", text))


def read_temperature(text: str) -> Temperature:
    """Read "48 C in air of 22 C", the air left out when not known. Raises UsageError."""
    match = _TEMPERATURE.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"case-temperature is {text!r}; write it such as '48 C in air of 22 C'")
    case, air = float(match[1]), None if match[2] is None else float(match[2])
    if not all(-40 <= value <= 400 for value in (case, air or 0.0)):
        raise UsageError(f"case-temperature is {text!r}; temperatures must be from -40 to 400 degrees Celsius")
    return Temperature(case, air)


def read_resistance(text: str) -> Resistance:
    """Read "105 104 106 mohm", with "+- 1" if known. Raises UsageError."""
    match = _RESISTANCE.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"phase-resistance is {text!r}; write the three values and their unit, such as '105 104 106 mohm'")
    milli = 1e-3 if match[4] else 1.0
    a, b, c = (float(match[n]) * milli for n in (1, 2, 3))
    if not all(0 < value < 1e6 for value in (a, b, c)):
        raise UsageError(f"phase-resistance is {text!r}; each value must be above 0 and below 1 000 000 ohm")
    return Resistance((a, b, c), _margin(match[5], milli, "phase-resistance", text))


def current_against(this: Current, others: Sequence[Current]) -> tuple[float, float] | None:
    """Give (ratio to the median of the others at the same speed, log10 likelihood ratio of drag); None with fewer than two others."""
    same = [other.ampere for other in others if abs(other.rpm / this.rpm - 1) <= SAME_SPEED]
    if len(same) < 2:
        return None
    ratio = this.ampere / median(same)
    meter = (this.u95 or 0.0) / this.ampere / Z95
    return ratio, _log10_ratio(math.log(ratio), 0.0, math.hypot(CURRENT_SCATTER, meter), math.log(1.6), 0.3)


def warmth_against(this: Temperature, others: Sequence[Temperature]) -> tuple[float, float] | None:
    """Give (ratio of the rise above air to the median of the others, log10 likelihood ratio); None where air or two others lack."""
    rises = [other.case_c - other.air_c for other in others if other.air_c is not None and other.case_c > other.air_c]
    if len(rises) < 2 or this.air_c is None or this.case_c <= this.air_c:
        return None
    ratio = (this.case_c - this.air_c) / median(rises)
    return ratio, _log10_ratio(math.log(ratio), 0.0, WARMTH_SCATTER, math.log(1.6), 0.3)


def uneven(this: Resistance) -> float:
    """Give log10 of the likelihood ratio of a hurt winding to a sound one, from the spread of the three resistances."""
    meter = METER_U95 if this.u95 is None else this.u95 * 3 / sum(this.ohm)
    one = math.hypot(WINDING_SCATTER, meter / Z95)
    return _log10_ratio(this.spread, RANGE_MEAN * one, RANGE_SD * one, 0.20, 0.10)


def _log10_ratio(value: float, sound: float, sound_sd: float, hurt: float, hurt_sd: float) -> float:
    """Log10 of p(value | hurt) / p(value | sound). On the sound side of both means it stays at the value of the sound mean."""
    value = max(value, sound)
    return (((value - sound) / sound_sd) ** 2 - ((value - hurt) / hurt_sd) ** 2) / (2 * math.log(10)) + math.log10(sound_sd / hurt_sd)


def _margin(text: str | None, scale: float, name: str, whole: str) -> float | None:
    if text is None:
        return None
    if not 0 < (margin := float(text) * scale) < 1e6:
        raise UsageError(f"{name} is {whole!r}; its margin must be above 0")
    return margin
