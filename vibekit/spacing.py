"""One distance that many lines of a spectrum are whole multiples of: a slow shaft among lines that are not its low orders.

Teeth, slots and rotor bars pass many times a turn, and what is uneven once a turn gives their lines neighbours one shaft speed apart
(Randall, Vibration-based Condition Monitoring (2011), from memory). The low orders of such a shaft may drown, and beside it something else,
such as a fan, may turn whose own few lines stand higher. Each distance is asked how likely the lines are with it and without: with it some
share of them lie at whole multiples, as near as lines are known, and the rest anywhere; without it all lie anywhere.
"""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.comb import comb_at, find_combs
from vibekit.following import CLEAR
from vibekit.hum import MAINS_HZ
from vibekit.lines import NOISE_DB, Lines
from vibekit.modulation import AS_HIGH_DB, BALLS, CAGE, LOCKED, SHOWN, Beneath, rings
from vibekit.settings import Settings
from vibekit.track import Track
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
TOP_HZ = 1000.0  # casings ring above: lines there are a bearing's as likely as the shaft's
WIDEST_HZ = 100.0
MOST, FEWEST = 60, 8  # lines
APART = 4.0, 0.004  # widths and part of the frequency, within which lower lines belong to a higher one's foot
FURTHEST = 100  # multiple
KNOWN = 0.3, 3e-4  # widths and part of the frequency, to which a line's place is known
SHARES = np.array([0.1, 0.3, 0.6])[:, None, None]  # of the lines that belong to the shaft, equally likely
DIVISORS = np.arange(1, 13)
MAINS_NEAR = 2e-3
FITS = 0.1  # of a full fit, from which a line counts as a multiple
FAR_BELOW = 5.9  # of the comb taken so far: nearer, cages and their halves put lines of their own
SAME = 1e-3  # speeds closer than this are one
SEVERAL = 8  # clear orders of a comb, more than a fan has
LEAD = 8.0  # evidence that a spacing must bring beyond what that comb's own does, and chance among those tried


def shaft_among(
    transforms: list[Transform], lines: Lines, settings: Settings, taken: Track, low_hz: float, high_hz: float
) -> Beneath | None:
    """The shaft that many lines are multiples of, where another speed was taken for it; None where none is. As `shaft_beneath`."""
    at, width = places(lines), lines.width_hz
    spacing = find_spacing(at, width, low_hz)
    if spacing is None or not low_hz < spacing.hz < high_hz:
        return None
    ratio = taken.mean_hz / spacing.hz
    if ratio < FAR_BELOW:
        return None
    comb = comb_at(lines, settings, taken.mean_hz)
    by_balls = any(abs(ratio / balls - 1) < LOCKED + 2 * spacing.sd_hz / spacing.hz for balls in BALLS)
    if by_balls and rings(comb, within_db=AS_HIGH_DB):  # a race and its cage
        return None
    own = float(spacing_evidence(at, width, taken.mean_hz * np.linspace(1 - SAME, 1 + SAME, 41)).max())
    lead = spacing.evidence - max(spacing.tried, own) - LEAD
    # a race near a whole order makes a lattice beside the shaft; a cage may lie so many times below its race as a shaft below its teeth
    is_race = by_balls and np.count_nonzero(comb.chance < CLEAR) >= SEVERAL
    faster = find_combs(lines, settings, CAGE[0] * spacing.hz, CAGE[1] * spacing.hz)
    is_cage = any(comb.evidence() > SHOWN and comb.chance[0] < CLEAR for comb in faster)
    lead = lead if spacing.is_one_apart and not (is_cage or is_race) else min(lead, 0.0)
    return Beneath(comb_at(lines, settings, spacing.hz), lines, transforms, lead, spacing.sd_hz)


@dataclass(frozen=True, slots=True)
class Spacing:
    """A distance between lines.

    hz, sd_hz: the distance and its standard deviation
    evidence: log of its likelihood ratio against "anywhere"; tried: log of the number of distances tried
    multiple: (k,) of the lines that fit, ascending
    """

    hz: float
    sd_hz: float
    evidence: float
    tried: float
    multiple: Array

    @property
    def is_one_apart(self) -> bool:
        """Say whether lines have neighbours one multiple away, not rather two to six, as in a lattice of several combs."""
        pairs = np.array([np.isin(self.multiple + step, self.multiple).sum() for step in range(1, 7)])
        return bool(np.all(pairs[1:] - pairs[0] <= np.sqrt(pairs[1:] + pairs[0])))


def places(lines: Lines) -> Array:
    """Frequencies (n,) of the clearest lines in the band of the machine, without those at the foot of a higher one."""
    clear = np.flatnonzero((lines.height_db > lines.visible_db + NOISE_DB) & (lines.frequency < TOP_HZ))
    kept: list[float] = []
    for at in lines.frequency[clear[np.argsort(lines.rank[clear])]].tolist():
        if len(kept) < MOST and all(abs(at - other) > max(APART[0] * lines.width_hz, APART[1] * at) for other in kept):
            kept.append(at)
    return np.sort(kept)


def find_spacing(at_hz: Array, width_hz: float, low_hz: float) -> Spacing | None:
    """The likeliest distance from a bound up, None when the lines are too few. at_hz: (n,) as from `places`; width_hz: of a line."""
    if at_hz.size < FEWEST:
        return None
    apart = at_hz - at_hz[:, None]
    upper = np.broadcast_to(at_hz, apart.shape)[(apart > low_hz) & (apart < WIDEST_HZ)]
    apart = apart[(apart > low_hz) & (apart < WIDEST_HZ)]
    hz = np.concatenate((upper / np.round(upper / apart), (at_hz[:, None] / np.arange(1, 7)).ravel()))
    hz = hz[(hz > low_hz) & (hz < WIDEST_HZ)]
    mains = hz[:, None, None] * DIVISORS / np.array(MAINS_HZ)[:, None]
    hz = hz[(np.abs(mains - 1) > MAINS_NEAR).all(axis=(1, 2))]
    if not hz.size:
        return None
    known = np.hypot(KNOWN[0] * width_hz, KNOWN[1] * at_hz)
    for _ in range(2):  # least squares over the lines that fit
        multiple, fit = _fit(at_hz, hz, known)
        weight = multiple / known**2 * fit
        hz = hz + np.sum(weight * (at_hz - multiple * hz[:, None]), axis=1) / np.maximum(np.sum(weight * multiple, axis=1), 1e-9)
    evidence = spacing_evidence(at_hz, width_hz, hz)
    best = evidence.argmax()
    multiple, fit = _fit(at_hz, hz[[best]], known)
    sd = np.sum((multiple / known) ** 2 * fit) ** -0.5
    return Spacing(float(hz[best]), float(sd), float(evidence[best]), math.log(hz.size), np.unique(multiple[fit > FITS]))


def spacing_evidence(at_hz: Array, width_hz: float, hz: Array) -> Array:
    """Log of the likelihood ratio of distances (m,) against "anywhere", from lines at frequencies (n,) known to within a line's width."""
    known = np.hypot(KNOWN[0] * width_hz, KNOWN[1] * at_hz)
    multiple, fit = _fit(at_hz, hz, known)
    density = hz[:, None] * fit / (known * np.sqrt(2 * np.pi))
    gain = np.where((multiple > 0) & (multiple <= FURTHEST), np.log(1 - SHARES + SHARES * density), 0.0).sum(axis=2)
    return np.asarray(np.logaddexp.reduce(gain, axis=0) - np.log(len(SHARES)))


def _fit(at_hz: Array, hz: Array, known: Array) -> tuple[Array, Array]:
    """Nearest whole multiple of each distance (m,) to each line (n,), and how well the line lies there, from 1 down: (m, n) each."""
    multiple = np.round(at_hz / hz[:, None])
    off = (at_hz - multiple * hz[:, None]) / known
    return multiple, np.where((multiple > 0) & (multiple <= FURTHEST), np.exp(-0.5 * np.minimum(np.abs(off), 12.0) ** 2), 0.0)
