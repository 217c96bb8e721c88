"""A take on the terminal: countdown, meter, a key that pauses, Ctrl-C ends it and keeps it."""

import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from vibekit.commands.asking import EndedError, ask, say
from vibekit.commands.keys import keys
from vibekit.craft import Craft
from vibekit.errors import UsageError, VibekitError
from vibekit.settings import Settings
from vibekit.turning import ADVICE, BLADES, HANDS, POWER

if TYPE_CHECKING:
    from vibekit.capture.recorder import Glance, Recorder, Source
    from vibekit.capture.take import Take
    from vibekit.capture.trigger import Trigger

LOOK_S, ASK_S = 0.1, 5.0
REST = 10.0  # as long as an answer took, it is not asked again
BAR = 30
FLOOR_DB = -90.0
PAUSE = " "
SILENT = (
    ". Allow the microphone for this program in the system's privacy settings (on macOS: Privacy & Security, Microphone, the terminal), "
    "switch it on, or choose another with --device"
)


def warn(craft: Craft, given: Settings) -> None:
    """Print the cautions for how this craft is turned."""
    by_hand = given.test == "hand-spin"
    for caution in (*(HANDS if by_hand else craft.way.cautions if craft.way else (*HANDS, *POWER, *BLADES)), ADVICE):
        say(f"! {caution}", sys.stdout)
    print()


def check_way(craft: Craft, given: Settings) -> None:
    """Raise UsageError for a test that is not among those of how this craft is turned: its cautions would be missing."""
    tests = {step.test for step in craft.way.plan} if craft.way else ()
    if craft.way and given.test not in (None, "flight", *tests):
        raise UsageError(
            f"--test is {given.test}; {craft.name} is described as turned thus: {craft.way.title}. Choose {' or '.join(sorted(tests))}, "
            "or change `turned` in its description, and read the cautions of that way"
        )


def is_ready() -> bool:
    """Ask whether the bench is."""
    try:
        return ask("Enter when the bench is ready, n to leave: ", sys.stdout).lower() not in ("n", "no")
    except EndedError:
        return False


def take(
    source: "Source",
    folder: Path,
    about: Mapping[str, str],
    *,
    length_s: float | None,
    trigger: "Trigger | None" = None,
    countdown: int = 0,
    is_over: "Callable[[Recorder], bool] | None" = None,
) -> "Take":
    """Record one take and say how it went. is_over: asked now and then whether it has all it should have.

    Raises UnreadableError when nothing came, VibekitError when it was only silence.
    """
    from vibekit.capture.recorder import Recorder

    recorder = Recorder(source, folder, about=about, length_s=length_s, trigger=trigger)
    for left in range(countdown, 0, -1):
        print(f"{left} ...", flush=True)
        time.sleep(1)
    recorder.start()
    silent = ""
    try:
        silent = _watch(recorder, "waiting for the motor" if trigger else "recording", is_over)
    except KeyboardInterrupt:
        recorder.stop("stopped by hand")
    _clear()
    taken = recorder.finish()
    if silent:
        _remove(taken.path)
        raise VibekitError(f"{silent}{SILENT}")
    print(said_of(taken))
    return taken


def _watch(recorder: "Recorder", doing: str, is_over: "Callable[[Recorder], bool] | None") -> str:
    """Show the meter and mind the keys until the take ends; give what is wrong with a source that gives only silence, else ""."""
    ask_at, paused = time.monotonic() + ASK_S, False
    with keys() as pressed:
        print(f"{doing}; the space bar pauses and goes on, Ctrl-C ends it" if pressed else doing, flush=True)
        while not recorder.done.wait(LOOK_S):
            if pressed and pressed() == PAUSE:
                paused = not paused
                (recorder.pause if paused else recorder.resume)()
            if is_over and (began := time.monotonic()) > ask_at:
                if is_over(recorder):
                    recorder.stop("all of it was heard")
                ask_at = time.monotonic() + max(ASK_S, REST * (time.monotonic() - began))
            seen = recorder.glance()
            if seen is not None:
                _meter(seen)
                if seen.warning:
                    return seen.warning
    return ""


def said_of(taken: "Take") -> str:
    """What became of a take: length, rate, why it ended, what was lost or left out; a line each."""
    from vibekit.capture.take import PAUSED
    from vibekit.units import duration

    account = taken.account
    lines = [f"{account.frames / account.rate_hz:.1f} s at {account.rate_hz:g} Hz from {account.form.source}: {account.ended}"]
    if pauses := [gap.missing for gap in account.gaps if gap.why == PAUSED]:
        many = "once" if len(pauses) == 1 else f"{len(pauses)} times"
        lines.append(f"  paused {many}: {duration(sum(pauses) / account.rate_hz)} left out")
    if lost := [gap for gap in account.gaps if gap.why != PAUSED]:
        many = "1 drop-out" if len(lost) == 1 else f"{len(lost)} drop-outs"
        lines.append(f"  {many}, {duration(account.missing_s)} in all: {', '.join(dict.fromkeys(gap.why for gap in lost))}")
    return "\n".join([*lines, *(f"  {note}" for note in account.notes)])


def _remove(path: Path) -> None:
    for each in (path, path.with_suffix(".json")):
        each.unlink(missing_ok=True)


def _meter(seen: "Glance") -> None:
    """One line that is written over and over; nothing where no terminal is."""
    if not sys.stderr.isatty():
        return
    import numpy as np

    level = 20 * np.log10(max(float(np.max(seen.rms, initial=0.0)), 1e-9))
    filled = round(BAR * min(max(1 - level / FLOOR_DB, 0.0), 1.0))
    lost = f"  {seen.lost} samples lost" if seen.lost else ""
    print(f"\r{seen.state:9} {seen.seconds:6.1f} s  {'#' * filled:{BAR}} {level:6.1f} dB{lost}   ", end="", file=sys.stderr, flush=True)


def _clear() -> None:
    if sys.stderr.isatty():
        print("\r" + " " * (BAR + 60) + "\r", end="", file=sys.stderr, flush=True)
