"""Signs of aliasing: a spectrum that does not fall towards half the rate was taken without a filter before the converter."""

import math

from vibekit.median import median
from vibekit.problem import Problem
from vibekit.screen.frames import Frames
from vibekit.screen.look import Look
from vibekit.screen.steady import Span
from vibekit.wording import listed

TOP, BELOW = 0.97, (0.7, 0.9)  # parts of half the rate
FALL_DB = 3.0  # the mildest filters, half-band ones, are 6 dB down at half the rate (common practice, no source)
LEAST_BINS = 33  # below, the topmost band is one bin
TINY = 1e-37
VIBRATION_UNITS, VIBRATION_SENSORS = ("g", "m/s2", "mm/s"), ("accelerometer", "phone-motion")


def check_fold(look: Look) -> list[Problem]:
    """Vibration sensors without a filter. Sound converters have theirs built in, and their flat top is their own noise."""
    flat = []
    for view in look.views:
        unit = look.recording.channels[view.overview.row].unit
        shakes = unit in VIBRATION_UNITS or look.settings.sensor in VIBRATION_SENSORS
        if shakes and fall_db(view.frames, look.steady.part) < FALL_DB:
            flat.append(view)
    if not flat:
        return []
    names = [look.recording.channels[view.overview.row].name for view in flat]
    where = flat[0].where if len(flat) == 1 else f" of channels {listed(names)}"  # one converter takes them all
    detail = (
        f"The spectrum{where} does not fall towards {look.recording.rate_hz / 2:.0f} Hz: nothing shows a filter before the converter, "
        "and lines above may have folded in. "
        "Where a line fits no order, record again at another rate: an image moves, a true line stays."
    )
    return [Problem("no-filter", "note", detail)]


def fall_db(frames: Frames, part: Span) -> float:
    """By how many dB the topmost band lies under the one below; infinite when there are too few bins to say."""
    bins = frames.power.shape[1]
    if bins < LEAST_BINS:
        return float("inf")
    power = median(frames.inside(part), axis=0)
    below = float(median(power[int(BELOW[0] * bins) : int(BELOW[1] * bins)]))
    return 10 * math.log10(max(below, TINY) / max(float(median(power[int(TOP * bins) :])), TINY))
