"""The shape of a waveform in one number."""

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError


def crest_factor(x: npt.ArrayLike) -> float:
    """Give the largest magnitude over the root mean square, about the mean (ISO 2041); x: (n,) samples.

    Raises UsageError when nothing moves.
    """
    swing = _swing(x)
    return float(np.max(np.abs(swing)) / np.sqrt(np.mean(swing**2)))


def kurtosis(x: npt.ArrayLike) -> float:
    """Give the fourth moment over the square of the second, about the mean: 3 for Gaussian noise, 1.5 for a sine; x: (n,) samples.

    Raises UsageError when nothing moves.
    """
    square = _swing(x) ** 2
    return float(np.mean(square**2) / np.mean(square) ** 2)


def _swing(x: npt.ArrayLike) -> npt.NDArray[np.float64]:
    samples = np.asarray(x, dtype=np.float64)
    swing = samples - samples.mean() if samples.size else samples
    if not np.any(swing):
        raise UsageError("samples are all the same; a shape needs something that moves")
    return swing
