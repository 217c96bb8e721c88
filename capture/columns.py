"""What the columns of a log hold, from their names: time, vibration, shaft speed, pulses, or something left out."""

import re
from dataclasses import dataclass
from typing import Literal

from vibekit.recording import RELATIVE, Unit
from vibekit.telemetry import ELECTRICAL

Kind = Literal["time", "index", "vibration", "tacho", "telemetry", "other", "unknown"]

TIME_NAMES = {
    "s": "s", "sec": "s", "secs": "s", "second": "s", "seconds": "s", "sek": "s", "sekunden": "s",
    "ms": "ms", "msec": "ms", "millis": "ms", "millisecond": "ms", "milliseconds": "ms",
    "us": "us", "usec": "us", "micros": "us", "microsecond": "us", "microseconds": "us",
    "ns": "ns", "nsec": "ns", "nanos": "ns", "nanosecond": "ns", "nanoseconds": "ns",
}  # fmt: skip
UNIT_NAMES: dict[str, tuple[Unit, float]] = {  # as written, without blanks, ^ and *: what one of it is in a unit the kit has
    "m/s2": ("m/s2", 1), "m/s/s": ("m/s2", 1), "ms-2": ("m/s2", 1), "ms2": ("m/s2", 1), "mps2": ("m/s2", 1), "mss": ("m/s2", 1),
    "cm/s2": ("m/s2", 1e-2), "mm/s2": ("m/s2", 1e-3),
    "g": ("g", 1), "gs": ("g", 1), "gn": ("g", 1), "g0": ("g", 1), "mg": ("g", 1e-3), "ug": ("g", 1e-6),
    "mm/s": ("mm/s", 1), "mms": ("mm/s", 1), "mms-1": ("mm/s", 1), "m/s": ("mm/s", 1e3), "cm/s": ("mm/s", 10), "um/s": ("mm/s", 1e-3),
    "in/s": ("mm/s", 25.4), "ips": ("mm/s", 25.4),
    "pa": ("Pa", 1), "v": ("V", 1), "volt": ("V", 1), "volts": ("V", 1), "mv": ("V", 1e-3),
    "rpm": ("rpm", 1), "1/min": ("rpm", 1), "min-1": ("rpm", 1), "r/min": ("rpm", 1), "u/min": ("rpm", 1),
    "hz": ("Hz", 1), "1/s": ("Hz", 1), "rps": ("Hz", 1), "rev/s": ("Hz", 1),
    "pulse": ("pulse", 1), "pulses": ("pulse", 1),
}  # fmt: skip
LONGEST = 80  # characters of a name that are looked at
MOTION: tuple[Unit, ...] = ("g", "m/s2", "mm/s", "Pa")

_TIME = re.compile(r"time|t|ts|timestamp|time ?stamp|date ?time|date|clock|elapsed|uptime|epoch|unix|zeit|zeitstempel|tiempo|temps")
_INDEX = re.compile(r"#|index|idx|no|nr|row|line|n|id|count|counter|seq|sequence|packet|frame|samples?( ?(no|nr|number|index|id|count))?")
_OTHER = (
    (r"gyro\w*|gyr|omega|rotation|angular|g [xyz]|g[xyz]|w[xyz]|rot", "rotation rate"),
    (r"magnetometer|magnetic|compass|m[xyz]", "magnetic field"),
    (r"abs|absolute|total|norm|resultant|magnitude|mag|sum|rms|a t|amag", "magnitude"),
    (r"temp|temperature|temperatur", "temperature"),
    (r"bat|batt|battery|vbat|current|power|throttle|pwm|duty", "supply"),
    (r"lat|latitude|lon|longitude|alt|altitude|gps|bearing|accuracy", "position"),
    (r"roll|pitch|yaw|heading|azimuth|orientation|quat\w*|q[0-3wxyz]|gravity|grav", "attitude"),
    (r"pressure|baro\w*|humidity|light|lux|proximity|wind", "surroundings"),
)
_OTHER_UNITS = {
    "deg/s": "rotation rate", "rad/s": "rotation rate", "dps": "rotation rate", "ut": "magnetic field", "gauss": "magnetic field",
    "degc": "temperature", "c": "temperature", "degf": "temperature", "k": "temperature", "deg": "attitude", "rad": "attitude",
    "a": "supply", "ma": "supply", "w": "supply", "%": "supply", "hpa": "surroundings", "kpa": "surroundings", "lx": "surroundings",
}  # fmt: skip
_SPEED = re.compile(r"rpm|speed|drehzahl|revs?|freq|frequency|rotor speed")
_TACHO = re.compile(r"tacho?|tachometer|hall|pulses?|trigger|opto|once per turn|key")
_AXIS = re.compile(
    r"((user |linear |lin |raw )?(a|acc|accel|accelerometer|acceleration|beschleunigung|g force|vib|vibration|vel|velocity|axis|ch|channel"
    r"|sensor)( ?\d)? ?)?([xyz]|\d|axial|radial|tangential|horizontal|vertical)( axis)?"
)
_MOTION = re.compile(r"acc\w*|vib\w*|velocity|vel|mic|microphone|sound|audio|piezo|geophone|ch\d+|channel|signal|amplitude")


@dataclass(frozen=True, slots=True)
class Column:
    """What one column holds.

    name: as in the file, without its unit; unit: of the samples, "FS" when the file does not say; written_in: unit as written
    scale: a written number times this is in `unit`
    time_unit: of a time column whose name says it
    what: for `other`, what it is
    """

    name: str
    kind: Kind
    unit: Unit = RELATIVE
    scale: float = 1.0
    written_in: str = ""
    time_unit: str | None = None
    what: str = ""


def describe(header: str) -> Column:
    """What a column of this name holds; `unknown` when the name does not tell."""
    name, written = _split_unit(header[:LONGEST])
    words = _plain(name)
    tidy = _tidy(written)
    said = UNIT_NAMES.get(tidy)
    is_time = _TIME.fullmatch(words) or any(word in (*TIME_NAMES, "time", "timestamp", "elapsed", "zeit") for word in words.split())
    if is_time and (not tidy or tidy in TIME_NAMES) and "speed" not in words:
        in_name = next((TIME_NAMES[word] for word in words.split() if word in TIME_NAMES), None)
        return Column(name, "time", time_unit=TIME_NAMES.get(tidy, in_name), written_in=written)
    if _INDEX.fullmatch(words) and not said:
        return Column(name, "index", what="counts rows")
    what = _OTHER_UNITS.get(tidy) or _other(words)
    if what and not (said and said[0] in MOTION and what == "rotation rate"):
        return Column(name, "other", what=what)
    if (said and said[0] in ("rpm", "Hz")) or (not said and (_has(_SPEED, words) or ELECTRICAL.search(words))):
        unit, scale = said or (("Hz", 1.0) if "freq" in words else ("rpm", 1.0))
        return Column(name, "telemetry", unit, scale, written)
    if _has(_TACHO, words):
        unit, scale = said or ("pulse", 1.0)
        return Column(name, "tacho", unit, scale, written)
    if said and "speed" in words and not _has(_MOTION, words):
        return Column(name, "other", what="speed of travel")
    unit, scale = said or (RELATIVE, 1.0)
    known = _AXIS.fullmatch(words) or _has(_MOTION, words) or unit in MOTION
    return Column(name, "vibration" if known else "unknown", unit, scale, written)


def is_unit(cell: str) -> bool:
    """A cell of a header's second line that holds units: one the kit knows, or nothing."""
    tidy = _tidy(cell)
    return tidy in ("", "-") or tidy in TIME_NAMES or tidy in UNIT_NAMES or tidy in _OTHER_UNITS


def _split_unit(header: str) -> tuple[str, str]:
    """Name and unit of "acc_x (m/s^2)", "ax [g]", "time_ms", "acc_x_mps2", "Temp in °C"."""
    bracket = re.fullmatch(r"\s*(.*?)\s*[(\[{]\s*([^()\[\]{}]*?)\s*[)\]}]\s*", header)
    if bracket and bracket[1]:
        return bracket[1], bracket[2]
    tail = re.fullmatch(r"\s*(.+?)(?:\s*,\s*|\s+in\s+|[\s_])(\S+)\s*", header)
    if tail and (_tidy(tail[2]) in UNIT_NAMES or _tidy(tail[2]) in TIME_NAMES or _tidy(tail[2]) in _OTHER_UNITS):
        return tail[1], tail[2]
    return header.strip(), ""


def _tidy(unit: str) -> str:
    """A unit in the spelling of the tables."""
    plain = unit.strip().strip("()[]{}").lower().replace("°", "deg").translate(str.maketrans("²¹µμ−⁻", "21uu--"))
    return re.sub(r"[\s^*·]", "", re.sub(r"sec(?![a-z])", "s", plain))


def _plain(name: str) -> str:
    """Lower-case words of a name: "accX" and "Acc_X" become "acc x"."""
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name.strip().strip('"'))
    return re.sub(r"[\s_.\-:/|]+", " ", parted).strip().lower()


def _has(pattern: re.Pattern[str], words: str) -> bool:
    return any(pattern.fullmatch(word) for word in words.split())


def _other(words: str) -> str:
    return next((what for pattern, what in _OTHER if re.search(rf"(?<!\w)({pattern})(?!\w)", words)), "")
