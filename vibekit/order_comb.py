"""A comb whose orders were measured one by one, weighed as `vibekit.comb` weighs lines; how rare each is, is known from the noise."""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from vibekit.comb import CLUTTER, DIM_DB, HIGHEST_ORDER, LEAST, PEAK, SPREAD_DB, Comb, level_patterns
from vibekit.settings import Settings

Array = npt.NDArray[np.float64]


def order_comb(hz: float, height_db: Array, chance: Array, visible_db: float, settings: Settings) -> Comb:
    """Give the comb of one speed with what speaks for it.

    height_db: (k,) power of orders 1 to k over the noise, k at most HIGHEST_ORDER; chance: (k,) that noise alone is as high
    visible_db: what noise exceeds in one order of a hundred
    """
    beyond = (0, HIGHEST_ORDER - height_db.size)
    clear = np.where(chance > 0.1, visible_db, height_db)
    strongest = clear.max(initial=visible_db)
    rare = np.where(height_db > visible_db - DIM_DB, PEAK / chance**CLUTTER, 0.0)
    total = np.full(HIGHEST_ORDER, -np.inf)
    for typical, prior in level_patterns(settings):
        level = strongest + typical[: height_db.size, 0]
        hidden = np.maximum(ndtr((np.maximum(height_db, visible_db) - level) / SPREAD_DB), LEAST)
        gain = np.log(hidden + rare * (1 + ((height_db - level) / SPREAD_DB) ** 2 / 4) ** -2.5)
        total = np.logaddexp(total, np.pad(np.cumsum(np.append(0.0, gain)), beyond, mode="edge")[1:] + prior)
    found = np.full(HIGHEST_ORDER, -1)
    return Comb(hz, found, np.pad(chance, beyond, constant_values=1.0), np.pad(clear, beyond, constant_values=visible_db), total)
