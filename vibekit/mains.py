"""Mains hum taken out where it keeps its frequency and no shaft does: of a flight, where it would pass for a rotor, and of a run-up."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.hum import Hum
from vibekit.parabola import vertex
from vibekit.recording import Recording
from vibekit.window import window_samples

Array = npt.NDArray[np.float64]
HALF_HZ = 0.5  # either side of a line that is taken out: hum of a large grid stays within it (from memory), rotors wander over more


def without_hum(recording: Recording, part: slice, hums: Sequence[Hum]) -> Recording:
    """The recording with the lines of mains hum in a part of it put to nothing there, and a line in its log."""
    samples = recording.samples.copy()
    lines = np.sort(np.concatenate([hum.hz for hum in hums]))
    for row in recording.rows("vibration"):
        samples[row, part] = _without(samples[row, part].astype(np.float64), recording.rate_hz, lines)
    said = ", ".join(f"{hz:.0f}" for hz in lines)
    return replace(recording, samples=samples).with_log(f"mains hum taken out at {said} Hz, {2 * HALF_HZ:g} Hz wide each")


def _without(x: Array, rate_hz: float, lines_hz: Array) -> Array:
    """Samples (n,) without some lines: what leaks far from each is taken out first, by a sine where it stands highest."""
    n, step = len(x), rate_hz / len(x)
    weight = window_samples("hann", n)
    spectrum = np.abs(sfft.rfft(x * weight))
    bands = [slice(max(round((hz - HALF_HZ) / step), 1), round((hz + HALF_HZ) / step) + 1) for hz in lines_hz]
    clean = x.copy()
    for band in bands:
        at = band.start + int(spectrum[band].argmax())
        before, here, after = np.log(spectrum[at - 1 : at + 2] + np.finfo(float).tiny)
        hz = float(at + vertex(before, here, after)) * step
        turning = np.exp(2j * np.pi * hz / rate_hz * np.arange(n))
        clean -= (2 * np.vdot(turning, x * weight) / weight.sum() * turning).real
    bins = sfft.rfft(clean)
    for band in bands:
        bins[band] = 0
    return np.asarray(sfft.irfft(bins, n))
