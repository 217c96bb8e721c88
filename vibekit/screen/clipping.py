"""Clipping: the signal went beyond what the sensor or the converter can follow, and its tops are cut flat."""

from vibekit.problem import Problem
from vibekit.screen.flat import at_full_scale
from vibekit.screen.look import Look, View

STOP_SHARE = 0.1  # Gaussian noise cut this much carries distortion 15 dB below itself (Bussgang 1952)
REMEDY = "record again with less gain, more distance, or a sensor of wider range"


def check_clipping(look: Look) -> list[Problem]:
    """Flat tops in the steady part, at full scale or at the recording's own extremes; knocks that clip are noted only."""
    found = []
    full = look.recording.source.full_scale
    for view in look.views:
        o = view.overview
        if sum(view.flat) > 0:
            found.append(_cut(view))
        elif (view.breaks.corners or view.dead.crests) and not look.recording.source.lossy:
            detail = (
                f"Crests{view.where} have corners that no converter lets through: the signal was cut flat and filtered afterwards. "
                f"Amplitudes read low and harmonics appear that are not in the motor; {REMEDY}."
            )
            found.append(Problem("clipping", "warning", detail))
        elif full is not None and any(at_full_scale(side, o.step, full) for side in (o.x, -o.x)):
            detail = f"A knock or handling noise{view.where} goes to full scale and is cut flat. It is left out; the rest is not clipped."
            found.append(Problem("clipping", "note", detail))
    return found


def _cut(view: View) -> Problem:
    top, bottom = view.flat
    side = "" if top and bottom else " at the top only" if top else " at the bottom only"
    text = f"{100 * (top + bottom):.2g} % of the samples{view.where} are cut flat{side}: "
    if top + bottom >= STOP_SHARE:
        return Problem("clipping", "stop", f"{text}most of what stands in the spectrum may be distortion. {REMEDY.capitalize()}.")
    detail = f"{text}amplitudes read low, and harmonics appear that are not in the motor. {REMEDY.capitalize()}."
    return Problem("clipping", "warning", detail)
