"""Mains hum taken out of a flight, where it would pass for a rotor that stands over the others: it keeps its frequency, no rotor does."""

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.median import median
from vibekit.recording import Recording
from vibekit.screen.hum import FLOOR_HZ, LEAST_RATIO, TOLERANCE, hum_of
from vibekit.screen.look import Look
from vibekit.window import window_samples

Array = npt.NDArray[np.float64]
HALF_HZ = 0.5  # either side of a line that is taken out: hum of a large grid stays within it (from memory), rotors wander over more
HIGHEST_HZ = 2000.0


def without_hum(recording: Recording, look: Look) -> Recording:
    """The recording with the lines of mains hum that screening found in its steady part put to nothing there, and a line in its log."""
    part = slice(*look.steady.part)
    samples, taken = recording.samples, set[int]()
    for view, mains, harmonics in hum_of(look):
        row = view.overview.row
        clean, lines = _without(recording.samples[row, part].astype(np.float64), recording.rate_hz, mains, max(harmonics))
        samples = samples.copy() if samples is recording.samples else samples
        samples[row, part] = clean
        taken |= {round(hz) for hz in lines}
    if not taken:
        return recording
    said = ", ".join(f"{hz}" for hz in sorted(taken))
    return replace(recording, samples=samples).with_log(f"mains hum taken out at {said} Hz, {2 * HALF_HZ:g} Hz wide each")


def _without(x: Array, rate_hz: float, mains_hz: float, highest: int) -> tuple[Array, list[float]]:
    """Samples (n,) without the multiples of mains that stand out, and these in Hz; highest: a multiple that does, which tells the pitch."""
    n, step = len(x), rate_hz / len(x)
    weight = window_samples("hann", n)
    spectrum = np.abs(sfft.rfft(x * weight))

    def about(hz: float, reach_hz: float) -> slice:
        return slice(max(round((hz - reach_hz) / step), 1), round((hz + reach_hz) / step) + 1)

    def peak_hz(line: slice) -> float:
        """Of the highest bin, between its neighbours by a parabola through their logarithms."""
        at = line.start + int(spectrum[line].argmax())
        before, here, after = np.log(spectrum[at - 1 : at + 2] + np.finfo(float).tiny)
        return float(at + (before - after) / (2 * (before - 2 * here + after))) * step

    pitch = peak_hz(about(highest * mains_hz, TOLERANCE * highest * mains_hz)) / highest
    clean = x.copy()
    lines: list[float] = []
    for hz in np.arange(1, int(min(HIGHEST_HZ, rate_hz / 2 - FLOOR_HZ) / pitch) + 1) * pitch:
        line = about(float(hz), HALF_HZ)
        if spectrum[line].max() ** 2 > LEAST_RATIO * median(spectrum[about(float(hz), FLOOR_HZ)]) ** 2 / np.log(2):
            turning = np.exp(2j * np.pi * peak_hz(line) / rate_hz * np.arange(n))
            clean -= (2 * np.vdot(turning, x * weight) / weight.sum() * turning).real  # what leaks far is taken out first
            lines.append(float(hz))
    bins = sfft.rfft(clean)
    for hz in lines:
        bins[about(hz, HALF_HZ)] = 0
    return np.asarray(sfft.irfft(bins, n)), lines
