"""Orders that fall on a mode of the frame: there the frame shakes, however good the part is that turns."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from vibekit.problem import Problem

if TYPE_CHECKING:
    from vibekit.mode import FrameMode
    from vibekit.reading import SpeedResult
    from vibekit.settings import Settings

NEAR = 2.5  # amplification from which a mode matters: below, API 684 calls it damped away (from memory)
STEADY = ("bare", "prop", None)  # in flight the frame is held by nothing, so a tap test on the bench says little


def check_near_modes(settings: Settings, speed: SpeedResult) -> list[Problem]:
    """1x, 2x and blade pass of a steady run against the modes of a tap test; of a run-up, which speeds 1x meets them at."""
    if speed.rpm is None or not settings.modes:
        return []
    if settings.test == "run-up" and speed.rpm_min is not None and speed.rpm_max is not None:
        passed = [mode for mode in settings.modes if speed.rpm_min < 60 * mode.frequency_hz < speed.rpm_max]
        return [_passed(mode) for mode in passed]
    found = []
    for name, hz, mode in near_orders(settings, speed):
        rest = " A high 1x here is resonance until shown otherwise: do not blame the propeller for it." if name == "1x" else ""
        detail = (
            f"{name} ({hz:.1f} Hz) lies on the frame's mode at {mode_words(mode)}: any force there shakes the frame "
            f"{mode.amplification(hz):.0f} times as far as it would at rest.{rest} "
            f"Measure again below {_off(mode, -1) / hz * speed.rpm:.0f} or above {_off(mode, 1) / hz * speed.rpm:.0f} rpm, "
            "or hold the craft another way."
        )
        found.append(Problem("near-mode", "warning", detail))
    return found


def near_orders(settings: Settings, speed: SpeedResult) -> Iterator[tuple[str, float, FrameMode]]:
    """Each order that a mode amplifies NEAR times or more: its name, its frequency, the mode that does so most."""
    if speed.rpm is None or settings.test not in STEADY:
        return
    names = {1: "1x", 2: "2x"} | ({settings.blades: "blade pass"} if settings.blades and settings.test != "bare" else {})
    for order, name in sorted(names.items()):
        hz = order * speed.rpm / 60
        mode = max(settings.modes, key=lambda mode: mode.amplification(hz), default=None)
        if mode is not None and mode.amplification(hz) >= NEAR:
            yield name, hz, mode


def mode_words(mode: FrameMode) -> str:
    """Say a mode: "97.3 ± 0.4 Hz (damping 3.0 ± 0.2 %)"."""
    return f"{mode.frequency_hz:.1f} ± {mode.frequency_u95_hz:.1f} Hz (damping {100 * mode.damping:.1f} ± {100 * mode.damping_u95:.1f} %)"


def _passed(mode: FrameMode) -> Problem:
    detail = (
        f"1x passes the frame's mode at {mode_words(mode)} at {60 * mode.frequency_hz:.0f} rpm: a peak of 1x there belongs to the frame, "
        "not to the propeller."
    )
    return Problem("near-mode", "note", detail)


def _off(mode: FrameMode, side: int) -> float:
    """Frequency on one side of a mode at which it amplifies NEAR times: (1 - r^2)^2 + (2 damping r)^2 = 1 / NEAR^2."""
    middle = 1 - 2 * mode.damping**2
    root = (middle**2 - 1 + 1 / NEAR**2) ** 0.5
    return float(mode.frequency_hz * (middle + side * root) ** 0.5)
