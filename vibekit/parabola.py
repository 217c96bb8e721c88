"""The parabola through three evenly spaced points: where, between them, a peak has its top."""

import numpy as np
import numpy.typing as npt


def vertex(before: npt.ArrayLike, here: npt.ArrayLike, after: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """How far from the middle point its top lies, in steps; 0 where it does not bend down. Arguments of one shape, which the result has.

    Of a window's main lobe the logarithms of power are to be given, which are nearly a parabola (M. Gasior and J.L. Gonzalez, AIP Conf.
    Proc. 732 (2004) 276-285: from memory).
    """
    left, middle, right = (np.asarray(part, np.float64) for part in (before, here, after))
    bend = left - 2 * middle + right
    return np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)


def held_vertex(before: npt.ArrayLike, here: npt.ArrayLike, after: npt.ArrayLike, *, most: float) -> npt.NDArray[np.float64]:
    """As `vertex`, no more than `most` steps away; where it does not bend down, as far towards the higher side."""
    left, middle, right = (np.asarray(part, np.float64) for part in (before, here, after))
    return np.clip(0.5 * (left - right) / np.minimum(left - 2 * middle + right, -1e-9), -most, most)
