"""What a run-up shows: how each order grows with speed, the resonances that it passes, and its maps."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vibekit.mode import FrameMode, merged
from vibekit.order_map import hertz_map, order_map
from vibekit.orders import OrderSpectrum
from vibekit.reading import Curve, Quantity, SpeedMap
from vibekit.settings import Settings
from vibekit.swept_modes import find_swept_modes
from vibekit.track import Track
from vibekit.tracking import TrackedOrder, track_orders
from vibekit.transform import USED, Transform

BAND, WIDEST_HZ = 0.4, 25.0  # of the shaft speed, so that neighbouring orders keep apart; a frame of 5 % damping answers no faster
POINTS = 200  # of a curve against speed
LEAST_RISE = 1.2  # fastest over slowest: else it is no run-up


@dataclass(frozen=True, slots=True)
class RunUp:
    """What a run-up shows, ready for a reading. modes: of the frame (by microphone: or of the room) that the orders passed."""

    modes: tuple[FrameMode, ...]
    quantities: tuple[Quantity, ...]
    curves: tuple[Curve, ...]
    maps: tuple[SpeedMap, ...]


def measure_run_up(transform: Transform, track: Track, spectrum: OrderSpectrum, settings: Settings, unit: str) -> RunUp | None:
    """Track the low orders through a run-up or coast-down; None when the speed hardly changes.

    transform: of the channel with the strongest 1x; track: shaft speed from its first sample on; spectrum: of its blocks
    1x, 2x and blade pass are solved for together in a band of BAND times the shaft speed, two poles.
    """
    slowest, fastest = float(track.hz.min()), float(track.hz.max())
    if fastest < LEAST_RISE * slowest or slowest <= 0:
        return None
    names = {1.0: "1x", 2.0: "2x"} | ({float(settings.blades): "blade pass"} if settings.blades else {})
    names = {order: name for order, name in names.items() if order * fastest < USED * transform.rate_hz}
    top = min((max(names, default=0.0) + 1) * fastest, transform.rate_hz / 2)
    maps = (order_map(spectrum), _hertz_map(transform, track, unit, fastest))
    if not names:
        return RunUp((), (), (), maps)
    x, rate = transform.low_band(top)
    time = np.arange(len(x)) / rate
    turns, band = track.turns(time), np.minimum(BAND * track.at(time), WIDEST_HZ)
    tracked = track_orders(x, rate, [order * turns for order in names], band, top_hz=top)
    modes = merged(mode for order in tracked for mode in find_swept_modes(order))
    curves = tuple(_curve(name, order, o, unit) for (order, name), o in zip(names.items(), tracked, strict=True))
    return RunUp(modes, _quantities(modes), curves, maps)


def _hertz_map(transform: Transform, track: Track, unit: str, fastest: float) -> SpeedMap:
    top = min(6 * fastest, USED * transform.rate_hz)
    x, rate = transform.low_band(top)
    return hertz_map(x, rate, track, unit, top_hz=top)


def _quantities(modes: Sequence[FrameMode]) -> tuple[Quantity, ...]:
    found = []
    for number, mode in enumerate(modes, 1):
        found.append(Quantity(f"resonance {number}", mode.frequency_hz, mode.frequency_u95_hz, "Hz"))
        found.append(Quantity(f"damping of resonance {number}", 100 * mode.damping, 100 * mode.damping_u95, "%"))
    return tuple(found)


def _curve(name: str, order: float, tracked: TrackedOrder, unit: str) -> Curve:
    """Amplitude against speed: mean of the points in each of POINTS stretches of speed."""
    rpm = 60 * tracked.frequency_hz / order
    edges = np.linspace(rpm.min(), rpm.max(), POINTS + 1)
    stretch = np.clip(np.searchsorted(edges, rpm, side="right") - 1, 0, POINTS - 1)
    there = np.unique(stretch)
    mean = (np.array([values[stretch == i].mean() for i in there]) for values in (rpm, tracked.amplitude, tracked.amplitude_u95))
    speed, amplitude, u95 = mean
    resolution = 60 * float(np.mean(tracked.bandwidth_hz)) / order
    return Curve(name, speed, amplitude, "rpm", unit, resolution, u95)
