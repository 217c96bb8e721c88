"""Is this recording fit to judge, and which part of it?"""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibekit.problem import Problem, Screening, Severity
from vibekit.recording import Recording
from vibekit.screen.band import check_band
from vibekit.screen.basics import check_channels, check_ends, check_level, check_present, check_source
from vibekit.screen.clipping import check_clipping
from vibekit.screen.continuity import check_continuity
from vibekit.screen.fold import check_fold
from vibekit.screen.gain import check_gain
from vibekit.screen.gaps import check_gaps, check_lost
from vibekit.screen.look import Look, overviews
from vibekit.screen.near_mode import check_near_modes
from vibekit.screen.pulses import check_speed_channels, check_unsaid_tacho
from vibekit.screen.steady import find_steady
from vibekit.screen.turns import FLIGHT, check_race_band, check_sensor_speed, check_steadiness, check_turns
from vibekit.screen.wind import check_wind
from vibekit.settings import Settings

if TYPE_CHECKING:
    from vibekit.reading import SpeedResult
    from vibekit.speed import SpeedTrack

__all__ = ["Problem", "Screening", "Severity", "leave_out", "look_at", "screen", "screen_speed", "steady_part"]
RANK = {"stop": 0, "warning": 1, "note": 2}
CHECKS = (
    check_clipping,
    check_level,
    check_continuity,
    check_gain,
    check_band,
    check_fold,
    check_wind,
    check_channels,
    check_ends,
)


def look_at(recording: Recording, settings: Settings) -> Look | None:
    """Look at a recording once, for `screen` and `leave_out` together; None when there is nothing to look at."""
    return None if any(problem.severity == "stop" for problem in check_present(recording)) else Look.at(recording, settings)


def screen(recording: Recording, settings: Settings, look: Look | None = None) -> Screening:
    """Find all problems that the samples alone show, gravest first. What needs the shaft speed is asked by `screen_speed`.

    look: what `look_at` gave for the same recording and settings; made here when left out
    """
    found = check_present(recording) + check_source(recording) + check_speed_channels(recording, settings) + check_gaps(recording)
    found += check_lost(recording) + check_unsaid_tacho(recording)
    look = look or look_at(recording, settings)
    if look:
        found += [problem for check in CHECKS for problem in check(look)]
    return Screening(gravest_first(found))


def screen_speed(recording: Recording, settings: Settings, speed: SpeedResult, track: SpeedTrack | None = None) -> tuple[Problem, ...]:
    """Find the problems that show once the shaft speed is known, gravest first.

    track: where the speed came from, for what it has to say against a typed speed
    """
    found = check_race_band(recording, settings)
    if speed.rpm is None and settings.test == "hand-spin":  # it falls all the while; what was heard of it says `check_spin`
        return gravest_first(found)
    if speed.rpm is None:
        fit = " or ".join(f"{rpm:.0f} rpm ({100 * chance:.0f} %)" for rpm, chance in speed.candidates)
        shows = f"The shaft speed is not sure, it may be {fit}" if fit else "No shaft speed shows in the recording"
        detail = f"{shows}: no line can be named by its order. Type the speed with --speed, or record a tacho."
        detail += FLIGHT if settings.test is None else ""
        return gravest_first([Problem("no-speed", "warning", detail), *found])
    found += check_turns(recording, settings, speed) + check_steadiness(settings, speed) + check_sensor_speed(recording, settings, speed)
    found += check_near_modes(settings, speed)
    if track is not None and track.contradiction:
        detail = f"The speeds do not agree: {track.contradiction}. Check what was typed and that both belong to one motor."
        found.append(Problem("speed-disagrees", "warning", detail))
    return gravest_first(found)


def steady_part(recording: Recording, settings: Settings | None = None) -> slice:
    """Samples between handling, take-off, landing or sync noise at the ends; all of them when nothing was steady."""
    seen = overviews(recording)
    return slice(*find_steady(seen, settings or Settings()).part) if seen else slice(0, recording.samples.shape[1])


def leave_out(recording: Recording, settings: Settings | None = None, look: Look | None = None) -> tuple[tuple[int, int], ...]:
    """Spans (start, stop) that belong to no machine: knocks, drop-outs, jumps, repeated blocks, gaps of a log. Sorted; they may overlap."""
    look = look or look_at(recording, settings or Settings())
    return tuple(look.holes) if look else ()


def gravest_first(problems: list[Problem]) -> tuple[Problem, ...]:
    return tuple(sorted(problems, key=lambda problem: RANK[problem.severity]))
