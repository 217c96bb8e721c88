"""How large a vector is that was measured with scatter: an interval that may begin at zero."""

import math

from scipy.special import chdtri, chndtrinc, fdtri, stdtrit

from vibekit.errors import UsageError
from vibekit.normal import Z95


def modulus_interval(square: float, error: float, freedom: float = math.inf, draws: int = 1) -> tuple[float, float]:
    """Give the 95 % interval of |V| from measurements V + e of it, e complex and normal.

    square: mean of the squared sizes measured; draws: how many of them; error: root mean square size of one e
    freedom: real degrees of freedom behind `error`

    The sum of squares over the error is noncentral chi-square; its noncentrality is bounded from both sides (S.O. Rice, Bell Syst. Tech.
    J. 23 (1944) 282, for one draw). Where the error is itself estimated, both ends move out as Student's t does from the normal. A small
    result does not prove zero: the upper end is never below what noise alone passes in nine of ten cases.
    Raises UsageError when the error is not known.
    """
    if not (math.isfinite(error) and error > 0):
        raise UsageError(f"error of a reading is {error:g}; repeat each run, three times is best, so that its scatter is known")
    ratio, parts = square / error**2, 2 * draws
    low, high = (float(chndtrinc(parts * ratio, parts, p)) for p in (0.975, 0.025))
    low, high = (0.0 if math.isnan(end) or end < 1e-6 else end for end in (low, high))
    low, high = error * math.sqrt(low / parts), error * math.sqrt(max(high, float(chdtri(parts, 0.9))) / parts)
    nothing = ratio <= (chdtri(parts, 0.025) / parts if math.isinf(freedom) else fdtri(parts, freedom, 0.975))
    if math.isinf(freedom):
        return 0.0 if nothing else low, high
    reach = float(stdtrit(freedom, 0.975))
    middle = square - error**2 if draws > 1 else square
    doubt = reach * error**2 * math.sqrt(2 / freedom) if draws > 1 else 0.0  # of what the error adds to the square
    below, above = (math.hypot(reach / Z95 * (end**2 - middle), doubt) for end in (low, high))
    return 0.0 if nothing else math.sqrt(max(middle - below, 0.0)), math.sqrt(max(middle + above, high**2))
