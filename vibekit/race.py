"""What a spot on a race, on a ball or a worn cage draws into an envelope spectrum, and how strongly a spectrum shows it."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.bearing import MINIATURE_RATIO, Bearing, miniature_bands
from vibekit.evidence import CAP, Evidence, log_mean, perhaps

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]
MULTIPLES = (1.0, 0.8, 0.5, 0.35, 0.25)  # chance that each multiple of the order stands out too: common practice, no source
BESIDE = (1.0, 1.0, 0.6)  # relative chance of lines beside order 0, where the load's change itself lies, and beside two multiples: the same
OFTEN, SELDOM = 0.6, 0.2  # chance of lines beside strikes that meet a changing load by nature, and of others: the same
# Scatter of the spacing of strikes, as a share of it (Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2: 1 to
# 2 %); a tumbling ball scatters more. Strikes whose spacings scatter at random draw Lorentzian lines, pi k^2 scatter^2 orders half wide
# per order (Antoni & Randall, J. Vib. Acoust. 125 (2003) 282, from memory)
SCATTER = np.array([0.0, 0.01, 0.02, 0.035])
LORENTZ = 1.5  # half widths of a Lorentzian within which its power is gathered: 63 % of it
WIDEST = 0.06  # orders
# chance that an echo takes the root away and leaves the second multiple, thought of where the past tells what is somebody else's: common
# practice, no source
ROOTLESS = 0.25
LEADS = np.log(10.0)  # upper multiples and lines beside count only when the first stands out: a comb without its root is somebody else's


@dataclass(frozen=True, slots=True)
class Pattern:
    """Lines of one kind of damage.

    order: (n,) orders that the strikes may have; weight: (n,) how likely each is beforehand, up to a factor; None: all alike
    beside: offsets of lines either side of each multiple, in orders, one for all or (n,); chance: that such a line stands out
    blur: uncertainty of those offsets
    """

    name: str
    order: Array
    beside: tuple[Array | float, ...] = ()
    chance: float = OFTEN
    blur: float = 0.0
    weight: Array | None = None

    def root(self, evidence: Evidence) -> Array:
        """Natural log of the e-value of a line at each of its orders, for each of SCATTER: (scatters, n)."""
        half = np.minimum(evidence.spectrum.resolution + self._scattered(), np.minimum(WIDEST, self._inside(evidence)))
        return evidence.line(self.order, half)

    def evidence(self, evidence: Evidence, root: Array | None = None) -> Array:
        """Natural log of the e-value of this pattern at each of its orders, (n,): mean over how much strikes scatter. root: see there.

        A multiple is no stronger evidence than the strikes' order itself (rings fade), a line beside a multiple no stronger than the
        multiple (the load's change is at most whole), and all lines beside no stronger than one. A line of the load's change itself
        is held by no slip of the strikes, so it may stand out more than they do.
        """
        total = self.root(evidence) if root is None else root.copy()
        leading = np.flatnonzero((total > LEADS).any(axis=0))
        if leading.size:
            first = total[:, leading]
            total[:, leading] += np.where(first > LEADS, self._more(evidence, leading, first), 0.0)
        if evidence.sound:
            return log_mean(total, 0)
        half = np.minimum(1.5 * evidence.spectrum.resolution + 4 * self._scattered(), 2 * self._inside(evidence))
        second = evidence.line(2 * self.order, half)
        return np.asarray(np.logaddexp(log_mean(total, 0) + np.log1p(-ROOTLESS), log_mean(second, 0) + np.log(ROOTLESS)))

    def shown(self, evidence: Evidence) -> float:
        """Share of its orders at which strikes would be seen, 0 to 1, each as likely as it is beforehand."""
        half = np.minimum(evidence.spectrum.resolution, np.minimum(WIDEST, self._inside(evidence)))
        return float(np.average(evidence.shows(self.order, half), weights=self.weight))

    def _scattered(self) -> Array:
        """Half of how wide each of SCATTER makes a line at each of its orders, (scatters, n), in orders."""
        return np.asarray(LORENTZ * np.pi * SCATTER[:, None] ** 2 * self.order)

    def _inside(self, evidence: Evidence) -> Array:
        """How wide a line may be, (n,), for its middle to lie among the orders: else it is somebody else's that stands beside them."""
        return np.asarray(np.minimum(self.order - self.order[0], self.order[-1] - self.order) + evidence.spectrum.resolution)

    def _more(self, evidence: Evidence, at: Index, root: Array) -> Array:
        """What the multiples and the lines beside them add, (scatters, orders), at these indices of the orders; root: theirs."""
        step, order = evidence.spectrum.resolution, self.order[at]
        count = len(MULTIPLES)
        k = np.array([*range(1, count + 1), *(m for m in range(len(BESIDE)) for _ in self.beside for _ in (-1, 1))], float)
        offsets = [0.0] * count + [sign * d for _ in BESIDE for d in self.beside for sign in (-1, 1)]
        shift = np.stack([np.broadcast_to(d, self.order.shape)[at] for d in offsets])
        blur = np.where(np.arange(len(k)) < count, 0.0, self.blur)
        scattered = LORENTZ * np.pi * (k[:, None] * SCATTER[:, None, None]) ** 2 * order
        widest = np.minimum(WIDEST, np.maximum(k, 1.0)[:, None] * self._inside(evidence)[at])
        half = np.minimum(step * (0.5 + 0.5 * k[:, None]) + scattered, widest) + blur[:, None]
        lines = evidence.line(order * k[:, None] + shift, half)
        bound = np.maximum(root, 0.0)
        more = sum((np.minimum(perhaps(lines[:, i], MULTIPLES[i]), bound) for i in range(1, count)), np.zeros_like(root))
        beside, alone = np.zeros_like(root), np.zeros_like(root)
        for i in range(count, len(k)):
            multiple = int(k[i])
            line = perhaps(lines[:, i], self.chance * BESIDE[multiple])
            if multiple:
                beside += np.minimum(line, np.maximum(lines[:, multiple - 1], 0.0))
            else:
                alone += line
        return np.asarray(more + np.minimum(beside, np.minimum(root, CAP)) + np.minimum(alone, CAP))


def patterns(bearing: Bearing, slip: tuple[float, float], resolution: float) -> tuple[Pattern, ...]:
    """What to look for, with the geometry known but for a slip in this range.

    Outer race: strikes alike, unless an unbalance loads it. Inner race: they swell and fade with the shaft. Ball: with the cage, and
    may differ from race to race, which puts lines half way between. Cage: the noise swells with its turn (Randall & Antoni 2011,
    section 2).
    """

    def near(order: float) -> Array:
        return order * (1 + np.arange(slip[0], slip[1], max(resolution / order, 1e-4)))

    ball, cage = bearing.ball_spin, bearing.cage
    return (
        Pattern("outer race", near(bearing.outer), (1.0, 2.0), SELDOM),
        Pattern("inner race", near(bearing.inner), (1.0, 2.0)),
        Pattern("ball", near(2 * ball), (cage, ball), blur=0.01 * cage),
        Pattern("cage", near(cage)),
    )


def miniature_patterns(resolution: float) -> tuple[Pattern, ...]:
    """What to look for when all that is known is that the bearing is a small one: every order that it can have.

    A worn cage is not looked for: it draws one line, and anything may lie there.
    """
    bands = miniature_bands()
    low, high = min(b.outer[0] for b in bands), max(b.inner[1] for b in bands)
    order = np.arange(low, high, resolution)

    def weight(ranges: list[tuple[float, float]]) -> Array:
        return np.asarray(np.sum([((order >= a) & (order <= b)) / (b - a) for a, b in ranges], axis=0))

    least, most = MINIATURE_RATIO
    ratio = np.sqrt(1 + order**2 / 4) - order / 2  # of ball to pitch diameter, from twice the spin order 1 / ratio - ratio
    return (
        Pattern("outer race", order, (1.0, 2.0), SELDOM, weight=weight([b.outer for b in bands])),
        Pattern("inner race", order, (1.0, 2.0), weight=weight([b.inner for b in bands])),
        Pattern("ball", order, ((1 - ratio) / 2, order / 2), blur=0.004, weight=weight([(1 / most - most, 1 / least - least)])),
    )


def family(order: float, cage: float, top: float) -> Array:
    """Orders that strikes at `order` account for, up to `top`: multiples, with any whole number of turns either side, for what they
    strike is also loud once a turn and its multiples, and with one to three turns of the cage.

    Outer and inner race add up to a whole number, so each lies in the family of the other: which one it is, the stronger root says.
    """
    k = np.arange(1.0, 7.0)[:, None]
    turns = np.arange(-np.ceil(top), np.ceil(top) + 1)
    found = np.concatenate([(k * order + turns).ravel(), (k * order + cage * np.arange(-3.0, 4.0)).ravel()])
    return np.unique(np.abs(found[np.abs(found) < top]))
