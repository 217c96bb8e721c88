"""How uncertainty goes through a function of several quantities."""

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


def propagate(function: Callable[[Array], Array], means: Array, covariance: Array) -> tuple[Array, Array]:
    """Give the results of a function of correlated quantities and their covariance, first order (JCGM 100:2008, eq. 13; JCGM 102:2011).

    function: (quantities,) to (results,), smooth over a standard deviation; returns (results,) and (results, results)
    """
    deviation = np.sqrt(np.diag(covariance))
    step = 1e-3 * np.where(deviation > 0, deviation, 1.0)
    slopes = [(function(means + d) - function(means - d)) / (2 * d.sum()) for d in np.diag(step)]
    jacobian = np.array(slopes).T
    return np.asarray(function(means)), jacobian @ covariance @ jacobian.T
