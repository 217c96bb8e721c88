"""A peak in a spectrum: frequency and amplitude of its sine between the bins, each with a 95 % interval."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError
from vibekit.normal import Z95
from vibekit.spectrum import Kind, Spectrum
from vibekit.window import kernel, window_samples

Array = npt.NDArray[np.float64]
Bins = npt.NDArray[np.int64]
_SHARE = 0.25  # a bin where the window's kernel is lower holds too little of the line
_CLEAR = 3.5  # a peak below this multiple of the floor may be noise, and its interval would be too short


@dataclass(frozen=True, slots=True)
class Peak:
    """A sine found in a spectrum.

    frequency_hz, amplitude: of the sine (peak amplitude, unit of the samples), with half widths of their 95 % intervals
    floor: typical amplitude of a line there that holds only noise, same unit
    """

    frequency_hz: float
    frequency_u95_hz: float
    amplitude: float
    amplitude_u95: float
    floor: float
    unit: str


def highest_peak(spectrum: Spectrum, floor: Spectrum, low_hz: float, high_hz: float) -> Peak | None:
    """Read the highest peak from low_hz to high_hz; None when nothing there stands 3.5 times above the floor.

    spectrum: of any kind (amplitude is fastest) and any window but the rectangular, where a line's neighbours are its side lobes
    floor: what the same bins hold without lines, as `Spectrum.noise_floor` gives it

    The window's kernel is fitted to the peak's bins by least squares. The interval carries the covariance that white noise of the
    floor's level has between those bins, its square included, through the fit; it can be no shorter than the Cramer-Rao bound of
    the samples (D.C. Rife and R.R. Boorstyn, IEEE Trans. IT 20 (1974) 591-598). It holds for a steady sine that is a main lobe away
    from others: a speed that wanders by more than a bin smears the line, and the amplitude reads low.

    Raises UsageError for a rectangular window or a band without a bin.
    """
    if spectrum.window == "rectangular":
        raise UsageError("window is 'rectangular'; a peak between bins needs one with a wider main lobe, such as 'hann'")
    values = spectrum.to("amplitude").values
    first = int(np.searchsorted(spectrum.frequency, low_hz))
    top = first + int(np.argmax(spectrum.band(low_hz, high_hz).values))
    reach = int(np.count_nonzero(kernel(spectrum.window, np.arange(1, 32)) > _SHARE))
    around = np.arange(max(top - reach, 0), min(top + reach + 1, values.size))
    if values[top] < values[around].max() or values[top] <= _CLEAR * _at(floor, top, "amplitude"):
        return None
    middle = round(float(np.average(around, weights=values[around] ** 2)))  # on a flat top the highest bin need not be the nearest
    bins = np.arange(-reach, reach + 1)
    if middle - reach < 1 or middle + reach > values.size - 2:
        return None
    noise = _at(floor, middle, "power")
    excess = 2 - float(_in_phase(spectrum, bins, 0.0)[reach, reach])  # noise adds this much to the square of an amplitude
    heard = values[middle + bins] ** 2 - noise * excess
    amplitude, offset, solve = _fit(spectrum.window, bins, np.sqrt(np.maximum(heard, 0.0)))
    height = amplitude * kernel(spectrum.window, bins - offset)
    square = _shared(spectrum.window, bins) ** 2 * excess / spectrum.degrees_of_freedom * noise / np.outer(height, height)
    covariance = noise * (_in_phase(spectrum, bins, offset) + square)
    scatter = Z95 * np.sqrt(np.diag(solve @ covariance @ solve.T))
    return Peak(
        frequency_hz=float(spectrum.frequency[middle]) + offset * spectrum.step_hz,
        frequency_u95_hz=float(scatter[1]) * spectrum.step_hz,
        amplitude=amplitude,
        amplitude_u95=float(scatter[0]),
        floor=_at(floor, middle, "amplitude"),
        unit=spectrum.unit,
    )


def _at(spectrum: Spectrum, index: int, kind: Kind) -> float:
    frequency = float(spectrum.frequency[index])
    return float(spectrum.band(frequency, frequency).to(kind).values[0])


def _fit(window: str, bins: Bins, values: Array) -> tuple[float, float, Array]:
    """Amplitude, offset in bins, and the (2, bins) matrix that brings errors of the values to them; Gauss-Newton."""
    amplitude, offset = float(values.max()), 0.0
    for _ in range(20):
        height = kernel(window, bins - offset)
        slope = (kernel(window, bins - offset - 1e-4) - kernel(window, bins - offset + 1e-4)) / 2e-4
        solve = np.linalg.pinv(np.column_stack([height, amplitude * slope]))
        step = solve @ (values - amplitude * height)
        amplitude = max(amplitude + float(step[0]), amplitude / 2)
        offset = float(np.clip(offset + step[1], -1.0, 1.0))
        if abs(step[1]) < 1e-10:
            break
    return amplitude, offset, solve


def _in_phase(spectrum: Spectrum, bins: Bins, offset: float) -> Array:
    """Covariance of the bins' values by the part of the noise in phase with the line, averaged over segments; one segment: 1 a bin."""
    n = 512  # the window at this many points stands for any length
    window = window_samples(spectrum.window, n)
    waves = window * np.exp(-2j * np.pi * (bins - offset)[:, None] * (np.arange(n) / n - 0.5))
    total = np.real(waves @ waves.conj().T)
    for lag in range(1, spectrum.averages):
        shift = round(lag * spectrum.hop / spectrum.length * n)
        if shift >= n:
            break
        shared = np.real(waves[:, shift:] @ waves[:, : n - shift].conj().T)
        total += (1 - lag / spectrum.averages) * (shared + shared.T)
    return np.asarray(total / (window @ window) / spectrum.averages)


def _shared(window: str, bins: Bins) -> Array:
    """Correlation of noise between bins: the transform of the window squared, at the bins' distances."""
    far = np.arange(-16, 17)
    squared = np.convolve(kernel(window, far), kernel(window, far))
    middle = squared.size // 2
    return np.asarray(squared[middle + bins[:, None] - bins[None, :]] / squared[middle])
