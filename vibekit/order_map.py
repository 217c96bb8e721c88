"""Maps of a run-up: amplitude against order and shaft speed, and against frequency and shaft speed."""

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.orders import OrderSpectrum
from vibekit.reading import SpeedMap
from vibekit.track import Track
from vibekit.window import HANN_NENBW, window_samples

Array = npt.NDArray[np.float64]
LINES = 24
TOP_ORDER = 12.0
FRAME_S = 0.25  # a run-up of 20 Hz a second moves 1x by five hertz meanwhile


def order_map(spectrum: OrderSpectrum, *, lines: int = LINES) -> SpeedMap:
    """Peak amplitude against order (kind "order map"), one line a stretch of speed; an order stands still, a resonance moves.

    spectrum: of blocks of a run-up; those whose speeds fall into one stretch are averaged in power
    """
    kept = spectrum.order <= TOP_ORDER
    speed, power = _gathered(60 * spectrum.speed_hz, spectrum.power[:, kept], lines)
    return SpeedMap("order map", spectrum.order[kept], speed, np.sqrt(2 * power), "order", spectrum.unit, HANN_NENBW * spectrum.resolution)


def hertz_map(x: npt.NDArray[np.floating], rate_hz: float, track: Track, unit: str, *, top_hz: float) -> SpeedMap:
    """Peak amplitude against frequency (kind "hertz map"), one line a stretch of speed; a resonance stands still, an order moves.

    x: (n,) samples from the track's time 0 on; top_hz: highest frequency drawn
    Frames of FRAME_S, half overlapping, Hann window: a line that moves through several bins meanwhile reads low.
    """
    n = sfft.next_fast_len(min(int(FRAME_S * rate_hz), len(x)), real=True)
    n = min(n, len(x))
    starts = np.arange(0, len(x) - n + 1, max(n // 2, 1))
    window = window_samples("hann", n)
    frames = np.lib.stride_tricks.sliding_window_view(x, n)[starts]
    bins = sfft.rfft((frames - frames.mean(axis=1, keepdims=True)) * window, axis=1)
    frequency = np.arange(bins.shape[1]) * rate_hz / n
    kept = frequency <= top_hz
    power = 2 * np.abs(bins[:, kept]) ** 2 / window.sum() ** 2
    speed, power = _gathered(60 * track.at((starts + n / 2) / rate_hz), power.astype(np.float64), LINES)
    return SpeedMap("hertz map", frequency[kept], speed, np.sqrt(2 * power), "Hz", unit, HANN_NENBW * rate_hz / n)


def _gathered(speed: Array, power: Array, lines: int) -> tuple[Array, Array]:
    """Mean speed and mean power of the rows in each of `lines` equal stretches of speed; empty stretches are left out."""
    low, high = float(speed.min()), float(speed.max())
    stretch = np.minimum(((speed - low) / max(high - low, 1e-9) * lines).astype(int), lines - 1)
    there = np.unique(stretch)
    return np.array([speed[stretch == i].mean() for i in there]), np.array([power[stretch == i].mean(axis=0) for i in there])
