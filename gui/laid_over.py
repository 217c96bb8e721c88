"""What a condition looks like, to be laid over a motor's spectrum. No Qt."""

import numpy as np

from vibekit.catalogue import load_catalogue, reference_spectrum
from vibekit.drawings import Member
from vibekit.reading import Curve


def conditions_to_lay() -> list[tuple[str, str]]:
    """Name the conditions whose spectra are kept: (condition, words)."""
    return [(c.condition, c.words) for c in load_catalogue().conditions if reference_spectrum(c.condition) is not None]


def laid_over(condition: str, member: Member, kind: str) -> Curve | None:
    """Give the reference spectrum of a condition in the unit of the member's own curve of this kind, None when there is none.

    An order spectrum stands at the level of the healthy 1x: of the motor's own past, else the middle of the other motors, else its own.
    An envelope spectrum is given over its own mean: its shape counts, not its height.
    """
    test = member.reading.settings.test
    if kind not in ("order", "envelope") or test not in ("bare", "prop") or member.reading.curve(kind) is None:
        return None
    kept = reference_spectrum(condition, "bare" if test == "bare" else "prop", "order" if kind == "order" else "envelope")
    if kept is None or kind == "envelope":
        return kept
    for readings in (member.baselines, member.others, (member.reading,)):
        first = [line.amplitude for r in readings for line in r.orders if line.name == "1x" and line.amplitude > 0]
        if first:
            unit = member.reading.orders[0].unit
            return Curve("order", kept.x, float(np.median(first)) * 10 ** (kept.y / 20), "order", unit, kept.resolution)
    return None
