"""Whether the samples follow each other as they were measured: drop-outs, jumps, repeated blocks, held and interpolated values."""

from vibekit.problem import Problem
from vibekit.screen.held import times_interpolated
from vibekit.screen.look import Look, View
from vibekit.screen.steady import Span
from vibekit.units import duration

STOP_SHARE = 0.2  # of the record lost
HELP = "close other programs and record again"


def check_continuity(look: Look) -> list[Problem]:
    """All of it, a channel at a time. A place is reported once: ends of drop-outs and of repeated blocks are jumps too."""
    found = []
    for view in look.views:
        slow = _not_measured(view)
        if slow:
            found.append(slow)
            continue
        if dropouts := look.dropouts(view):
            found.append(_dropouts(view, dropouts))
        if view.looped:
            detail = (
                f"The samples{view.where} repeat themselves exactly: a looped or computed signal, not a live one. "
                "Intervals come out too narrow; record the motor itself."
            )
            found.append(Problem("repeated-block", "warning", detail))
        elif view.repeats:
            found.append(_repeated(view, view.repeats))
        jumps = look.jumps(view)
        if jumps:
            found.append(_jumps(view, jumps))
    return found


def _dropouts(view: View, dead: tuple[Span, ...]) -> Problem:
    rate = view.overview.rate_hz
    lost = sum(b - a for a, b in dead) / rate
    many = "1 drop-out" if len(dead) == 1 else f"{len(dead)} drop-outs"
    text = f"{many}{view.where}, {duration(lost)} in all, the first at {dead[0][0] / rate:.2f} s: samples were lost on the way. "
    if lost > STOP_SHARE * view.overview.seconds:
        return Problem("drop-out", "stop", f"{text}Too little is left between them; {HELP}.")
    return Problem("drop-out", "warning", f"{text}They are left out; for a clean record {HELP}.")


def _repeated(view: View, repeats: tuple[Span, ...]) -> Problem:
    rate = view.overview.rate_hz
    lost = sum(b - a for a, b in repeats) / rate
    detail = (
        f"{duration(lost)} of samples{view.where} stand in the file twice, the first time at {repeats[0][0] / rate:.2f} s: "
        f"a buffer was handed over again. The copies are left out; {HELP}."
    )
    return Problem("repeated-block", "warning", detail)


def _jumps(view: View, jumps: list[Span]) -> Problem:
    many = "a jump" if len(jumps) == 1 else f"{len(jumps)} jumps"
    detail = (
        f"The samples{view.where} hold {many}, the first near {jumps[0][0] / view.overview.rate_hz:.2f} s: some were lost without a trace. "
        f"Phases before and after do not fit, so the place is left out; {HELP}."
    )
    return Problem("jump", "warning", detail)


def _not_measured(view: View) -> Problem | None:
    rate = view.overview.rate_hz
    if view.held > 1:
        detail = (
            f"Each value{view.where} stands {view.held:.1f} times in a row: "
            f"the sensor delivers about {rate / view.held:.0f} values a second. "
            f"Believe nothing above {rate / view.held / 2:.0f} Hz; log at the sensor's own rate."
        )
        return Problem("held-samples", "warning", detail)
    factor = times_interpolated(view.overview)
    if factor > 1:
        detail = (
            f"Only one sample in {factor}{view.where} was measured, the others lie on straight lines between: "
            f"the file came from {rate / factor:.0f} Hz. "
            f"Believe nothing above {rate / factor / 2:.0f} Hz; hand over the recording as it was made."
        )
        return Problem("upsampled", "warning", detail)
    return None
