"""What spoils a recording on its way: overload, gaps, gain control, a voice codec, hum, knocks, neighbours."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from vibekit.errors import UsageError

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Disturbance:
    """What to do to a recording; the default does nothing.

    overload_db: how far the signal's peak would reach above full scale; it is clipped there (None: never)
    gaps: number of drop-outs, 5 to 20 ms of zeros each
    gain_control: slow automatic gain (attack 20 ms, release 0.7 s) that holds the level
    band_hz: upper limit of a lossy voice codec, None for none
    hum: mains hum at 50 Hz and its harmonics 2 to 5, rms as a share of the signal's rms
    knocks: number of knocks against the bench
    neighbours: level at which the other rotors turn along, 1 as strong as the one under test
    """

    overload_db: float | None = None
    gaps: int = 0
    gain_control: bool = False
    band_hz: float | None = None
    hum: float = 0.0
    knocks: int = 0
    neighbours: float = 0.0

    def __post_init__(self) -> None:
        for name, value in (("gaps", self.gaps), ("knocks", self.knocks), ("hum", self.hum), ("neighbours", self.neighbours)):
            if value < 0:
                raise UsageError(f"{name} is {value:g}; it must be 0 or above")
        if self.band_hz is not None and self.band_hz <= 0:
            raise UsageError(f"band limit is {self.band_hz:g} Hz; it must be above 0, or None")

    def before_full_scale(self, rng: np.random.Generator, samples: Array, rate_hz: float) -> Array:
        """Hum, knocks and overload: what reaches the converter. samples: (channels, n)."""
        n = samples.shape[1]
        time = np.arange(n) / rate_hz
        rms = float(np.sqrt(np.mean(samples**2)))
        if self.hum:
            weight = np.array([1, 0.6, 0.3, 0.15, 0.1])
            phase = 2 * np.pi * rng.random(5)
            wave = sum(w * np.cos(2 * np.pi * 50 * k * time + p) for k, (w, p) in enumerate(zip(weight, phase, strict=True), start=1))
            samples = samples + self.hum * rms * math.sqrt(2 / float(np.sum(weight**2))) * wave
        for _ in range(self.knocks):
            since = time - rng.uniform(0.1, 0.9) * time[-1]
            ring = np.where(since >= 0, np.exp(-60 * np.clip(since, 0, None)) * np.sin(2 * np.pi * rng.uniform(150, 600) * since), 0)
            samples = samples + 15 * rms * ring
        if self.overload_db is not None:
            samples = samples * (10 ** (self.overload_db / 20) / float(np.abs(samples).max()))
        return samples

    def after_full_scale(self, rng: np.random.Generator, samples: Array, rate_hz: float) -> Array:
        """Gain control, codec and gaps: what the phone or system does to the numbers."""
        if self.gain_control:
            samples = samples * _gain_control(samples, rate_hz)
        if self.band_hz is not None:
            frequency = fft.rfftfreq(samples.shape[1], 1 / rate_hz)
            coded: Array = fft.irfft(fft.rfft(samples) / (1 + (frequency / self.band_hz) ** 24), samples.shape[1])
            samples = coded
        for _ in range(self.gaps):
            length = int(rng.uniform(0.005, 0.02) * rate_hz)
            start = int(rng.integers(1, max(samples.shape[1] - length, 2)))
            samples = samples.copy()
            samples[:, start : start + length] = 0
        return samples


def _gain_control(samples: Array, rate_hz: float) -> Array:
    """(n,) gain that pulls the short-time level to -12 dB re full scale, by at most 20 dB; starts from unity."""
    block = max(int(0.01 * rate_hz), 1)
    count = samples.shape[1] // block
    level = np.sqrt(np.mean(samples[:, : count * block].reshape(samples.shape[0], count, block) ** 2, axis=(0, 2)))
    wanted = np.clip(0.25 / np.maximum(level, 1e-6), 0.1, 10)
    gain, track = 1.0, []
    for target in wanted.tolist():
        gain += (target - gain) * (1 - math.exp(-0.01 / (0.02 if target < gain else 0.7)))
        track.append(gain)
    gain_track: Array = np.interp(np.arange(samples.shape[1]), (np.arange(count) + 0.5) * block, track)
    return gain_track
