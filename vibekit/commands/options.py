"""The options that say how a recording was taken; the one place that defines and reads them."""

import argparse
import math
import re
from collections.abc import Sequence
from dataclasses import replace

from vibekit.bearing import Bearing
from vibekit.errors import UsageError
from vibekit.low_pass import LowPass
from vibekit.mode import FrameMode
from vibekit.recording import ROLES, SENSORS, UNITS
from vibekit.settings import TESTS, Settings

_SPEED = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?)\s*(rpm|hz)", re.IGNORECASE)

_LENGTH = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min)")

_FILTER = re.compile(r"(\d+\.?\d*|\.\d+)\s*(?:hz)?(?:\s*,\s*(\d))?", re.IGNORECASE)


def add_settings_options(parser: argparse.ArgumentParser) -> None:
    """Add --test, --speed, --blades, --poles, --slots, --bearing, --sensor, --tap, --sensor-filter, --roles, --marks, --clock and
    --unit.
    """
    parser._negative_number_matcher = re.compile(r"-\.?\d")  # "-5rpm" is a value to refuse, not an option to look up
    about = parser.add_argument_group("how the recording was taken", "what is not given stays unknown and the answer leaves it open")
    about.add_argument("--test", metavar="|".join(TESTS), help="how the motor was turned")
    about.add_argument("--speed", metavar="1797rpm|29.95Hz", action="append", default=[],
                       help="shaft speed; for several files one for all, or one a file with commas or given again")  # fmt: skip
    about.add_argument("--blades", metavar="N", type=int, help="blades of the propeller")
    about.add_argument("--poles", metavar="N", type=int, help="magnets of the motor (an even number)")
    about.add_argument("--slots", metavar="N", type=int, help="teeth of the motor's winding")
    about.add_argument("--bearing", metavar="N,d,D[,angle]", action="append", default=[],
                       help="balls, ball and pitch diameter in mm, contact angle in degrees; again for another bearing")  # fmt: skip
    about.add_argument("--sensor", metavar="|".join(SENSORS), help="what was listened with")
    about.add_argument("--tap", metavar="FILE", action="append", default=[],
                       help="knocks on the frame, motors stopped (see `vibekit tap`); again for another arm")  # fmt: skip
    about.add_argument("--sensor-filter", metavar="HZ[,order]",
                       help="half-power corner and order of the filter in a slow sensor, such as 260Hz,1")  # fmt: skip
    about.add_argument("--roles", metavar="vibration,tacho", help=f"what each channel holds: {', '.join(ROLES)}, or ignore to leave it out")
    about.add_argument("--marks", metavar="N", type=int, help="marks that pass the tacho in a turn, where their spacing does not tell")
    about.add_argument("--clock", metavar="PPM", type=float,
                       help="parts in a million to which the sensor's clock was calibrated; 100 when not given")  # fmt: skip
    about.add_argument("--unit", metavar="|".join(UNITS[:5]), help="unit of the vibration channels, where the file does not say")


def settings_from(args: argparse.Namespace) -> Settings:
    """Give the settings of one recording. Raises UsageError, also when several speeds are given."""
    return settings_each(args, 1)[0]


def settings_each(args: argparse.Namespace, count: int) -> tuple[Settings, ...]:
    """Give the settings of `count` recordings: alike but for the speed, where one a file is given. Raises UsageError."""
    speeds = speeds_each(args.speed, count)
    settings = Settings(
        test=args.test,
        blades=args.blades,
        poles=args.poles,
        slots=args.slots,
        bearings=tuple(parse_bearing(text) for text in args.bearing),
        sensor=args.sensor,
        modes=_tapped(args.tap),
        sensor_filter=None if args.sensor_filter is None else parse_filter(args.sensor_filter),
        marks=args.marks,
        clock_ppm=args.clock,
    )
    return tuple(replace(settings, speed_rpm=speed) for speed in speeds)


def _tapped(paths: Sequence[str]) -> tuple[FrameMode, ...]:
    """Give the modes that recordings of knocks show. Raises UnreadableError, UsageError."""
    if not paths:
        return ()
    from vibekit.capture.reader import Reader
    from vibekit.mode import merged
    from vibekit.modes import tap_modes

    return merged(mode for path in paths for mode in tap_modes(Reader().read(path)).modes)


def speeds_each(given: Sequence[str], count: int) -> list[float | None]:
    """Give the speed in rpm of each of `count` files, None where none is given: one for all, or one a file. Raises UsageError."""
    speeds: list[float | None] = [parse_speed(text) for listed in given for text in listed.split(",")]
    if len(speeds) not in (0, 1, count):
        raise UsageError(f"{len(speeds)} speeds for {count} file{'s' * (count > 1)}; give one for all, or one a file")
    return speeds if len(speeds) > 1 else (speeds or [None]) * count


def parse_speed(text: str) -> float:
    """Read a shaft speed, in rpm, from "1797rpm" or "29.95Hz". Raises UsageError."""
    match = _SPEED.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"speed is {text!r}; write a number with its unit, such as 1797rpm or 29.95Hz (decimal point, no comma)")
    rpm = float(match[1]) * (60 if match[2].lower() == "hz" else 1)
    if not 0 < rpm < 1e6:
        raise UsageError(f"speed is {text!r}; it must be above 0 and below 1 000 000 rpm")
    return rpm


def parse_length(text: str, option: str) -> float:
    """Read a length of time, in s, from "20s" or "2min". Raises UsageError."""
    match = _LENGTH.fullmatch(text.strip().lower())
    if match is None or not float(match[1]):
        raise UsageError(f"{option} is {text!r}; write a length of time above 0 with its unit, such as 20s or 2min")
    return float(match[1]) * (60 if match[2] == "min" else 1)


def parse_filter(text: str) -> LowPass:
    """Read a sensor's filter from "260Hz,1": half-power corner and order, 1 when left out. Raises UsageError."""
    match = _FILTER.fullmatch(text.strip())
    if match is None:
        raise UsageError(f"sensor filter is {text!r}; write its half-power corner and its order, such as 260Hz,1")
    return LowPass(float(match[1]), int(match[2] or 1))


def parse_bearing(text: str) -> Bearing:
    """Read a bearing from "9,7.94,39.04,0": balls, ball and pitch diameter in mm, contact angle in degrees (0 when left out).

    Raises UsageError.
    """
    form = "write balls, ball diameter, pitch diameter in mm and, if it is not 0, the contact angle in degrees, such as 9,7.94,39.04,0"
    words = text.split(",")
    if len(words) not in (3, 4):
        raise UsageError(f"bearing {text!r} has {len(words)} number{'s' * (len(words) > 1)}; {form}")
    try:
        balls, *sizes = int(words[0]), *map(float, words[1:])
    except ValueError:
        raise UsageError(f"bearing {text!r} is not made of numbers, the first of them whole; {form}") from None
    if not all(map(math.isfinite, sizes)):
        raise UsageError(f"bearing {text!r} holds a number that is not finite; {form}")
    return Bearing(balls, *sizes)
