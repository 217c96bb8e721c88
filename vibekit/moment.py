"""Moments in words, in the time of this place."""

from datetime import datetime


def day(moment: datetime) -> str:
    """Write the day: 2026-03-01."""
    return f"{moment.astimezone():%Y-%m-%d}"


def local(moment: datetime) -> str:
    """Write the day and the time: 2026-03-01 14:30."""
    return f"{moment.astimezone():%Y-%m-%d %H:%M}"
