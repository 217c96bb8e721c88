"""What many small samples say together of variances: how large they are, and how unlike."""

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import digamma, polygamma

MOST = 50.0  # a prior that counts for more than this many observations might as well be certain
LEAST = 1.0


def prior_variance(variances: npt.NDArray[np.float64], degrees: float) -> tuple[float, float]:
    """Prior of a variance and the number of observations it counts for, from sample variances of that many degrees of freedom.

    variances: (n,), each of its own population; those of 0 are left out. Population variances are taken to scatter as a scaled inverse
    chi-square; its two numbers follow from mean and variance of the logarithms (Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3,
    section 6.2). The count lies between LEAST and MOST; at MOST the variances are alike and the prior is their mean.
    """
    known = np.asarray(variances)[np.asarray(variances) > 0]
    logs = np.log(known) - digamma(degrees / 2) + np.log(degrees / 2)
    unlike = float(logs.var(ddof=1) - polygamma(1, degrees / 2))
    if unlike <= polygamma(1, MOST / 2):
        return float(known.mean()), MOST
    unlike = min(unlike, float(polygamma(1, LEAST / 2)))
    worth = 2 * float(brentq(lambda half: polygamma(1, half) - unlike, LEAST / 2, MOST / 2))
    return float(np.exp(logs.mean() + digamma(worth / 2) - np.log(worth / 2))), worth
