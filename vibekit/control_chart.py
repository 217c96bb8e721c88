"""A control chart of several quantities at once: a self-starting cusum whose limit follows from the false alarms that are allowed."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri, stdtr

from vibekit.repeatability import LEAST_UNKNOWN

Array = npt.NDArray[np.float64]
SLACK = 1.0  # allowance of the cusum, standard deviations: quickest for a shift of twice that (Page 1954)
ALONE = 0.75  # share of the limit that one sitting can give: two must agree (Lucas & Crosier, Commun. Statist. 11 (1982) 2669-2687)
HIGHEST = 1.5  # shares of the limit to which the sum rises, so that it comes back when the cause is gone
FEWEST, MOST = 10.0, 1e9  # sittings between false alarms for which a limit can be given
HIGHEST_SHARE, HIGHEST_DB = 1e3, 120.0  # how far above the baseline a level is looked for
NODES = 64


@lru_cache(maxsize=256)
def run_length(limit: float, slack: float = SLACK, shift: float = 0.0) -> float:
    """Average number of readings until a cusum that starts at 0 passes `limit`, readings being normal of mean `shift` and deviation 1.

    Page's integral equation (E. S. Page, Biometrika 41 (1954) 100-115), L(u) = 1 + L(0) F(-u) + integral of L(x) f(x - u) over the
    heights x of S = max(0, S + reading - slack), by Gauss-Legendre quadrature (Goel & Wu, Technometrics 13 (1971) 221-230).
    """
    node, weight = np.polynomial.legendre.leggauss(NODES)
    at = np.append(0.0, limit * (node + 1) / 2)
    step = at[1:] - at[:, None] + slack - shift
    kernel = np.exp(-(step**2) / 2) / np.sqrt(2 * np.pi) * (limit * weight / 2)
    stays = np.column_stack([ndtr(slack - shift - at), kernel])
    return float(np.linalg.solve(np.eye(at.size) - stays, np.ones(at.size))[0])


@lru_cache(maxsize=256)
def limit_for(sittings: float) -> float:
    """The limit at which one healthy quantity raises a false alarm once in that many sittings on average, FEWEST to MOST of them."""
    wanted = min(max(sittings, FEWEST), MOST)
    return float(brentq(lambda h: np.log(run_length(h) / wanted), 1e-3, 14.0, xtol=1e-4))


@dataclass(frozen=True, slots=True)
class Baseline:
    """What is known of q quantities from the sittings so far.

    deviation, worth: (q,) prior standard deviation of a sitting and the observations that it counts for; relative: (q,) of its level
    used: (q,) sittings; mean, squares: (q,) their mean and the sum of squares about it; noise: (q,) their variance from the measurement
    """

    deviation: Array
    worth: Array
    relative: npt.NDArray[np.bool_]
    used: Array
    mean: Array
    squares: Array
    noise: Array

    def deviate(self, value: Array, noise: Array | None = None) -> Array:
        """(q,) one more sitting as normal deviates of equal chance, NaN without a baseline.

        The spread is learned from the sittings, starting from the prior (moderated t: Smyth, Stat. Appl. Genet. Mol. Biol. 3 (2004) 3); it
        is never taken below the noise of the measurement, and counts as known as far as that makes it up (Welch, Biometrika 34 (1947)
        28-35). A share is one of the mean of all sittings, this one too, since the few before it may be small by chance.
        """
        with np.errstate(invalid="ignore", divide="ignore"):
            among = self.mean + (value - self.mean) / (self.used + 1)
            first = (self.deviation * np.where(self.relative, np.abs(among), 1.0)) ** 2
            degrees = self.worth + self.used - 1
            measured = self.noise if noise is None else (self.noise + noise) / 2
            variance = np.maximum((self.worth * first + self.squares) / degrees, measured)
            degrees = degrees / np.maximum(1 - measured / variance, LEAST_UNKNOWN) ** 2
            score = (value - self.mean) / np.sqrt(variance * (1 + 1 / self.used))
            tail = np.maximum(stdtr(degrees, -np.abs(score)), 1e-300)
            return np.where(self.used > 0, -np.sign(score) * ndtri(tail), np.nan)

    def level(self, deviate: Array) -> Array:
        """(q,) the value that stands so many normal deviates above, NaN where none does: so short a baseline lets no sitting stand out."""
        low, reach = self.mean, np.where(self.relative, HIGHEST_SHARE * self.mean, HIGHEST_DB)
        with np.errstate(invalid="ignore"):
            found = self.deviate(low + reach) >= deviate
        for _ in range(40):
            reach = reach / 2
            low = np.where(self.deviate(low + reach) < deviate, low + reach, low)
        return np.where(found, low, np.nan)


@dataclass(frozen=True, slots=True)
class Chart:
    """Quantities against their own baseline, sitting by sitting; n sittings, q quantities.

    limit: of the sums; heights: (n, q) the sums; deviates: (n, q) each sitting against those before it, NaN without any
    baselines: (n + 1) what was known before each sitting, and is known before the next
    began: (q,) index of the first sitting of the present climb, n where the sum is 0; alarm: (q,) of the first sitting since the sums
    last began anew whose sum passed the limit, -1 where none did
    """

    limit: float
    heights: Array
    deviates: Array
    baselines: tuple[Baseline, ...]
    began: npt.NDArray[np.int_]
    alarm: npt.NDArray[np.int_]

    @property
    def alarm_levels(self) -> Array:
        """(n + 1, q) the value at which a sitting and one more like it raise the alarm, NaN where none does."""
        before = np.vstack([np.zeros_like(self.heights[:1]), self.heights])
        needed = SLACK + np.maximum(self.limit - before, 0.0) / 2
        return np.array([baseline.level(row) for baseline, row in zip(self.baselines, needed, strict=True)])


def chart(values: Array, noise: Array, deviation: Array, worth: Array, relative: npt.NDArray[np.bool_], limit: float,
          sound: npt.NDArray[np.bool_] | None = None, restarts: npt.NDArray[np.bool_] | None = None) -> Chart:  # fmt: skip
    """Chart the rise of quantities since a part was changed.

    values: (n, q) one a sitting, oldest first; noise: (n, q) variance from the measurement itself; deviation, worth, relative: (q,) see
    Baseline; sound: (n,) sittings that may belong to the baseline; restarts: (n,) something was done just before: the sums begin anew
    Each sitting is held against those before it, so that a short baseline widens the limits by itself (self-starting cusum: Hawkins, The
    Statistician 36 (1987) 299-315). The sittings of a climb that became an alarm are left out of the baseline.
    """
    count, many = values.shape
    sound = np.ones(count, bool) if sound is None else sound
    restarts = np.zeros(count, bool) if restarts is None else restarts
    heights, deviates = np.zeros((count, many)), np.full((count, many), np.nan)
    sums, began, alarm = np.zeros(many), np.zeros(many, int), np.full(many, -1)
    risen = np.zeros((count, many), bool)  # sittings of a climb that became an alarm
    baselines = []
    for i in range(count + 1):
        use = sound[:i, None] & ~risen[:i]
        used = use.sum(axis=0).astype(float)
        with np.errstate(invalid="ignore", divide="ignore"):
            mean = np.where(use, values[:i], 0.0).sum(axis=0) / used
            own = np.where(use, noise[:i], 0.0).sum(axis=0) / used
        squares = np.where(use, (values[:i] - mean) ** 2, 0.0).sum(axis=0)
        baselines.append(Baseline(deviation, worth, relative, used, mean, squares, own))
        if i == count:
            break
        if restarts[i]:
            sums, began, alarm = np.zeros(many), np.full(many, i), np.full(many, -1)
        deviates[i] = baselines[i].deviate(values[i], noise[i])
        sums = np.clip(sums + np.minimum(np.nan_to_num(deviates[i], nan=SLACK) - SLACK, ALONE * limit), 0.0, HIGHEST * limit)
        began = np.where(sums > 0, began, i + 1)
        alarm = np.where((alarm < 0) & (sums >= limit), i, alarm)
        risen[: i + 1] |= (np.arange(i + 1)[:, None] >= began) & (sums >= limit)
        heights[i] = sums
    return Chart(limit, heights, deviates, tuple(baselines), began, alarm)
