"""Short spectra of a record one after the other, over their noise floor, and their average along a speed track."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy.fft import next_fast_len, rfft

from vibekit.window import window_samples

Array = npt.NDArray[np.float64]
Grey = npt.NDArray[np.float32]
Samples = npt.NDArray[np.floating]
SHORTEST = 64  # samples a frame
CACHED, ABREAST = 200_000, 4  # samples transformed at once: they stay in the cache; and frames, which cost little more than one
PADDING = 2  # bins to each independent one: the highest bin then lies within 0.4 dB of a line


@dataclass(frozen=True, slots=True)
class Frames:
    """Power over the noise floor, frame by frame, channels averaged; frames overlap by half, Hann window.

    excess: (frames, bins) float32, 1 is typical of noise; step_hz: distance of two bins; width_hz: of two independent ones
    time_s: (frames,) middle of each frame
    blank_hz: (m, 2) from, to: bands set to 1 because mains hum hides what is there
    """

    excess: Grey
    step_hz: float
    width_hz: float
    time_s: Array
    blank_hz: Array

    @property
    def averages(self) -> float:
        """Number of independent frames that scatter as much (Welch 1967; Hann, half overlap)."""
        return 1 + (len(self.excess) - 1) / 1.056

    def without(self, hum: Array, spread: tuple[float, float] = (1.0, 1.0)) -> "Frames":
        """The same with mains hum blanked, each as far out as the window's side lobes (18 dB an octave) stand above the noise.

        hum: (m, 2) frequency in Hz, height over the noise in a band of 1 Hz in dB
        spread: factors between which its frequency moves, in a record read along a moving shaft
        """
        if not hum.size:
            return self
        height = hum[:, 1] - 10 * np.log10(self.width_hz)
        reach = 2.5 * 2 ** (np.maximum(height - 25, 0) / 18) * self.width_hz
        blank = np.column_stack((hum[:, 0] * spread[0] - reach, hum[:, 0] * spread[1] + reach))
        excess = self.excess.copy()
        for low, high in (blank / self.step_hz).round().astype(int):
            excess[:, max(low, 0) : high + 1] = 1
        return Frames(excess, self.step_hz, self.width_hz, self.time_s, blank)

    def average(self, scale: Array | None = None) -> Array:
        """Mean over frames, (bins,).

        scale: (frames,) each frame is read at its frequencies times this, so that a comb of moving speed stands still
        """
        if scale is None:
            return np.asarray(np.full(len(self.excess), 1 / len(self.excess), np.float32) @ self.excess, dtype=np.float64)
        count = int(self.excess.shape[1] / max(float(scale.max()), 1.0))
        column, total = np.arange(count, dtype=np.float32), np.zeros(count)
        for row, each in zip(self.excess, scale.astype(np.float32), strict=True):
            total += row.take(np.rint(each * column).astype(np.intp))
        return total / len(self.excess)


def frames_of(signals: list[Samples], rate_hz: float, top_hz: float, seconds: float) -> Frames | None:
    """Cut a record into frames of about `seconds`, or one of all of it; None when it is shorter than SHORTEST samples.

    signals: (n,) samples each, one rate; top_hz: highest frequency wanted, below half the rate
    """
    length = min(next_fast_len(max(int(seconds * rate_hz), SHORTEST), real=True), signals[0].size)
    if length < SHORTEST:
        return None
    padded = next_fast_len(PADDING * length, real=True)
    bins = int(top_hz / rate_hz * padded)
    window = window_samples("hann", length).astype(np.float32)
    some = max(CACHED // padded // ABREAST, 1) * ABREAST
    excess: list[Grey] = []
    for signal in signals:
        frames = sliding_window_view(signal, length)[:: length // 2]
        power, long = np.empty((len(frames), bins), signal.dtype), np.zeros((some, padded), signal.dtype)
        for first in range(0, len(frames), some):
            here = frames[first : first + some]
            np.multiply(here, window, out=long[: len(here), :length])
            part = rfft(long[: -(-len(here) // ABREAST) * ABREAST], axis=1)[: len(here), :bins]
            np.add(part.real**2, part.imag**2, out=power[first : first + some])
        power /= (len(signals) * floor_of(power.mean(axis=0), rate_hz / padded)).astype(np.float32)
        excess.append(power)
    time = (np.arange(len(power)) * (length // 2) + (length - 1) / 2) / rate_hz
    return Frames(sum(excess[1:], excess[0]), rate_hz / padded, rate_hz / length, time, np.empty((0, 2)))


def floor_of(power: npt.NDArray[np.floating], step_hz: float) -> Array:
    """Median power around each bin (n,), over stretches that widen with frequency as resonances do."""
    edge = [0]
    while edge[-1] < power.size:
        edge.append(edge[-1] + int(max(24 * PADDING, (12 + 0.06 * edge[-1] * step_hz) / step_hz)))
    edge[-1] = power.size
    if len(edge) > 2 and edge[-1] - edge[-2] < 12 * PADDING:
        edge.pop(-2)
    median = [float(np.partition(power[a:b], (b - a) // 2)[(b - a) // 2]) for a, b in pairwise(edge)]
    centre = [(a + b - 1) / 2 for a, b in pairwise(edge)]
    least = max(float(power.max()) * 1e-15, float(np.finfo(np.float32).tiny))
    return np.exp(np.interp(np.arange(power.size), centre, np.log(np.maximum(median, least))))
