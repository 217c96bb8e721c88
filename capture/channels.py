"""What the user says about the channels of a recording: roles, unit, sensitivity."""

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import cast

import numpy as np

from vibekit.errors import UnreadableError, UsageError, check_choice
from vibekit.recording import RELATIVE, ROLES, Channel, Role, Samples, Unit
from vibekit.units import STANDARD_GRAVITY

IGNORE = "ignore"
VIBRATION_UNITS: tuple[Unit, ...] = ("g", "m/s2", "mm/s", "Pa", "V", RELATIVE)
GRAVITY: tuple[tuple[Unit, float], ...] = (("m/s2", STANDARD_GRAVITY), ("g", 1.0))
GRAVITY_BAND = 0.1  # what the offsets of a phone's sensor change of it (common practice, no source)


def check_statement(unit: str | None, sensitivity: float | None) -> None:
    """Raise UsageError unless unit and sensitivity make sense together."""
    if unit is not None:
        check_choice("unit", unit, VIBRATION_UNITS)
    if sensitivity is None:
        return
    if not (math.isfinite(sensitivity) and sensitivity > 0):
        raise UsageError(f"sensitivity is {sensitivity:g}; it must be above 0 (units for full scale of sound, or for 1 in a text log)")
    if unit in (None, RELATIVE):
        raise UsageError(f"sensitivity {sensitivity:g} needs a unit; give one of {', '.join(VIBRATION_UNITS[:-1])}")


def assign_roles(channels: Sequence[Channel], roles: Sequence[str] | None) -> list[tuple[int, Channel]]:
    """Index and channel of those that are kept, with the roles the user gave them; "ignore" drops one.

    Raises UsageError for an unknown role, a wrong count, or nothing left.
    """
    if roles is None:
        return list(enumerate(channels))
    for role in roles:
        check_choice("role", role, (*ROLES, IGNORE))
    names = ", ".join(channel.name for channel in channels)
    if len(roles) != len(channels):
        raise UsageError(f"{len(roles)} roles are given ({', '.join(roles)}); give one for each of the {len(channels)} channels ({names})")
    kept = [i for i, role in enumerate(roles) if role != IGNORE]
    if not kept:
        raise UsageError(f"each channel is ignored ({names}); give at least one of them another role")
    return [(i, replace(channels[i], role=cast(Role, roles[i]))) for i in kept]


def calibrate(
    samples: Samples, channels: Sequence[Channel], unit: str, sensitivity: float | None
) -> tuple[Samples, tuple[Channel, ...], tuple[str, ...]]:
    """Vibration channels in the unit stated, their samples times the sensitivity: the samples, the channels, and what was done.

    Raises UsageError when the file states another unit, UnreadableError when a sample becomes too large for its number format.
    """
    vibration = [i for i, channel in enumerate(channels) if channel.role == "vibration"]
    for channel in (channels[i] for i in vibration):
        said = f"the file says that channel {channel.name} is in {channel.unit}"
        if channel.unit == unit and sensitivity:
            raise UsageError(f"sensitivity {sensitivity:g} is given, but {said}; leave the sensitivity out")
        if channel.unit not in (RELATIVE, unit) and not (channel.unit == "V" and sensitivity):
            raise UsageError(f"unit {unit} is given, but {said}; leave the unit out")
    stated = tuple(replace(channel, unit=cast(Unit, unit)) if i in vibration else channel for i, channel in enumerate(channels))
    if sensitivity is None:
        return samples, stated, ()
    factor = np.ones((len(channels), 1), dtype=samples.dtype)
    with np.errstate(over="ignore", invalid="ignore"):
        factor[vibration] = sensitivity
        scaled = samples * factor
    if not np.isfinite(scaled).all():
        raise UnreadableError(f"a sample times the sensitivity {sensitivity:g} is too large; check the sensitivity")
    return scaled, stated, (f"calibrated: 1 as stored is {sensitivity:g} {unit}",)


def unit_from_gravity(samples: Samples, channels: Sequence[Channel]) -> tuple[tuple[Channel, ...], tuple[str, ...]]:
    """Tell the unit of three axes of no stated unit from the gravity that stands in them; else leave them as they are."""
    axes = [i for i, channel in enumerate(channels) if channel.role == "vibration" and channel.unit == RELATIVE]
    unknown = ("no unit stated: numbers stay as they are stored, and are called of full scale; state the unit, and how much of it 1 is",)
    if len(axes) != 3:
        return tuple(channels), unknown if axes else ()
    length = float(np.linalg.norm([np.mean(samples[i], dtype=np.float64) for i in axes]))
    for unit, gravity in GRAVITY:
        if abs(length / gravity - 1) < GRAVITY_BAND:
            found = tuple(replace(channel, unit=unit) if i in axes else channel for i, channel in enumerate(channels))
            why = f"the mean of the three axes is {length:.4g}, as gravity is in {unit}; state the unit if that is wrong"
            return found, (f"no unit stated; taken as {unit}, for {why}",)
    return tuple(channels), unknown
