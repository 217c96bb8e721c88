"""A shaft that all but holds its speed, measured to the bound of its whole comb: every order in the band, over the whole record.

The lines of a record's one transform are fitted together, each order with an amplitude and a phase of its own, all with one angle (maximum
likelihood of the full comb: Rife & Boorstyn, IEEE Trans. IT 20 (1974) 591-598, summed over lines). The angle is a line and Legendre
polynomials. How far the speed walks at random is taken from the record too, so that the interval holds where wander hides in the noise.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from numpy.polynomial.legendre import leggauss, legval
from scipy.linalg import eigh
from scipy.special import eval_legendre

from vibekit.comb import Comb
from vibekit.following import CLEAR, MISSED
from vibekit.lines import Lines
from vibekit.track import Track
from vibekit.transform import USED, Transform

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Index = npt.NDArray[np.intp]
MOST = 64  # orders fitted
REACH = 32  # bins either side of a line: 0.6 / REACH of the information lies farther out
FEWEST_TURNS = 9.0  # in a record: below, lines lie too close
TERMS, FURTHEST = 9, 41  # of the angle: P_1 ... P_9 are fitted, what is beyond those counted hardly matters
BEGIN = 0.25  # turns by which an order may be off at the ends of the record while it is taken in
PASSES = 12
MOSTLY = 0.7  # of the power of the lines in shorter frames must stand at the speed found, or it does not hold
WHOLE, ENOUGH = 0.5, 60.0  # of the height that the longer record should give it; a line that wanders leaves most of its power beside it
CHANCE, MEAN = 0.1, 100.0  # that an order has a line, and of its power over the noise
SURE = 0.9  # that an order has a line, from which it is fitted: chance makes one of many look like a line, and high ones weigh most
TINY = 1e-300
LINEAR = 0.02  # turns of a typical order, above which a correction of the angle is not small
BENDS = 6  # corrections at most
WANDERS = np.concatenate(([0.0], 10.0 ** np.arange(-1.5, 3.1, 0.25)))  # standard deviation of P_3 over that of its noise
HELD = 0.05  # chance beforehand that the speed holds; else its walk is of a size as likely as it can be told (Jeffreys 1946)


@dataclass(frozen=True, slots=True)
class _Fit:
    """Correction of the angle, turns of order 1 by (terms,) of P_1 ..., and its information (terms, terms).

    order: the typical one that it rests on; there: (orders,) probability that an order has a line; height: (orders,) of its power over
        what is left beside it, in the channel that shows it best
    """

    turns: Array
    information: Array
    order: float
    there: Array
    height: Array


def hold_steady(transforms: list[Transform], comb: Comb, lines: Lines) -> tuple[Track, float] | None:
    """Speed over a record and the standard deviation of its mean, Hz, where the speed all but holds; None where it does not.

    transforms: of the channels; lines: those in which the comb was found
    """
    n, rate = transforms[0].n, transforms[0].rate_hz
    clear = np.flatnonzero(comb.chance < CLEAR)
    record, hz = n / rate, comb.hz
    reach = int(min(REACH, hz * record / 2 - 0.5))
    highest = min(int((USED * n - reach) / (hz * record)), MOST)
    if hz * record < FEWEST_TURNS or highest < 1 or not clear.size:
        return None
    line = comb.found[clear]
    power = 10 ** (lines.height_db[line] / 10)
    weight = (clear + 1) ** 2 * power
    hz, sd_hz = float(weight @ (lines.frequency[line] / (clear + 1)) / weight.sum()), MISSED * lines.width_hz / weight.sum() ** 0.5
    fit, within, bend = None, 0, np.zeros(TERMS)
    for _ in range(PASSES):
        last, within = within, int(min(max(BEGIN / (sd_hz * record), 1.0), highest))
        settled = within == last
        fit = _fit(transforms, np.arange(1, within + 1), hz * record, bend[:1], reach, 3 * settled)
        if fit is None and within == highest:
            return None
        if fit is None:
            sd_hz /= 2  # low orders are missing: as if the speed were better known
            continue
        sd_hz = 2 / record / float(np.sqrt(fit.information[0, 0]))
        hz += 2 / record * float(fit.turns[0])
        if settled:
            break
    for _ in range(BENDS):
        fit = _fit(transforms, np.arange(1, within + 1), hz * record, bend, reach, 3)
        if fit is None:
            return None
        bend, change = bend + fit.turns, fit.order * float(np.std(_along(fit.turns)))
        hz, bend[0] = hz + 2 / record * float(bend[0]), 0.0
        if change < LINEAR:
            break
    else:
        return None
    fit = replace(fit, turns=bend)
    known = clear < within
    whole = fit.height[clear[known]] > np.minimum(WHOLE * power[known] * record * lines.width_hz, ENOUGH)
    if power[known] @ (fit.there[clear[known]] * whole) < MOSTLY * power[known].sum():
        return None
    angle = _walked(fit)
    if angle is None:
        return None
    turns, change_sd = angle
    at = np.linspace(-1, 1, 4 * TERMS + 1)
    time = record * (at + 1) / 2 - 0.5 / rate  # from half a sample before the first to half a sample after the last
    return Track.through(time, hz * record * at / 2 + legval(at, np.concatenate(([0.0], turns)))), change_sd / record


def _fit(transforms: list[Transform], order: Index, turns: float, bend: Array, reach: int, rounds: int) -> _Fit | None:
    """Fit what is left of the angle, after a speed of so many turns a record and a bend; None where no order stands out.

    order: (k,) to look at; bend: (terms,) of P_1 ...; rounds: how often what lines leak into each other's bins is taken off
    """
    place = np.asarray(order * turns, dtype=np.float64)
    number = np.asarray(np.rint(place)[:, None] + np.arange(-reach, reach + 1), dtype=np.float64)
    nodes, legendre, wave = _nodes(reach, bend.size)
    phase = 2 * np.pi * order[:, None] * (bend @ legendre) + np.pi * (place - number[:, reach])[:, None] * nodes
    shift = np.exp(1j * phase)  # (orders, nodes)
    own = shift @ wave.T  # (orders, bins)
    size = np.sum(np.abs(own) ** 2, axis=1)
    ends = np.exp(2j * np.pi * order * np.array([[np.sum(bend * (-1.0) ** np.arange(1, bend.size + 1))], [bend.sum()]]))
    information, pull, weighed, typical = np.zeros((bend.size, bend.size)), np.zeros(bend.size), 0.0, 0.0
    most, tallest = np.zeros((2, order.size))
    for transform in transforms:
        n = transform.n
        bins = transform.bins[number.astype(np.intp)] * np.exp(1j * np.pi * number * (n - 1) / n) * (2 / n)
        leaked = np.zeros_like(bins)
        for left in range(rounds, -1, -1):
            line = np.sum(own.conj() * (bins - leaked), axis=1) / size
            rest = bins - leaked - own * line[:, None]
            noise = np.sum(np.abs(rest) ** 2, axis=1) / (2 * reach) + TINY
            height = np.abs(line) ** 2 * size / noise
            there = 1 / (1 + (1 + MEAN) * (1 / CHANCE - 1) * np.exp(-np.minimum(height, 500) * MEAN / (1 + MEAN)))
            if left:
                leaked = _leaked(number, place, line, ends, np.flatnonzero(there > 0.1))
        used = there > SURE
        turned = (shift[used] * legendre[:, None]) @ wave.T  # (terms, orders, bins)
        turned -= own[used] * (np.sum(turned * own[used].conj(), axis=2) / size[used])[:, :, None]
        share = order**2 * height * there
        lost = 1 + bend.size / 2 * np.where(used, share, 0.0) / max(float(share[used].sum()), TINY)  # of the noise, to what is fitted
        known = (1 - 1 / height[used]) * (1 - lost[used] / (2 * reach))  # noise lifts a line, and weighs more where chance has it low
        weight = np.sqrt(2 * there[used] * known / noise[used])[:, None]
        turned = (2j * np.pi * (order * line)[used, None] * weight * turned).reshape(bend.size, -1)
        information += (turned @ turned.conj().T).real
        pull += (turned.conj() @ (weight * rest[used]).ravel()).real
        typical, weighed = typical + float(share @ order), weighed + float(share.sum())
        most, tallest = np.maximum(most, there), np.maximum(tallest, height)
    if information[0, 0] <= 0:
        return None
    return _Fit(np.asarray(np.linalg.solve(information, pull), dtype=np.float64), information, typical / weighed, most, tallest)


@lru_cache
def _nodes(reach: int, terms: int) -> tuple[Array, Array, Complex]:
    """Gauss-Legendre nodes over a record, P_1 ... there (terms, nodes), and the waves of the bins about its middle one (bins, nodes).

    The waves are weighted for the mean over the record.
    """
    nodes, weight = leggauss(2 * reach + 64)
    legendre = np.array([eval_legendre(p, nodes) for p in range(1, terms + 1)])
    return nodes, legendre, np.exp(-1j * np.pi * np.arange(-reach, reach + 1)[:, None] * nodes) * weight / 2


def _along(turns: Array) -> Array:
    """Sum of P_1 ..., each times its turns, at times spread evenly over the record."""
    return np.asarray(legval(np.linspace(-1, 1, 33), np.concatenate(([0.0], turns))))


def _leaked(number: Array, place: Array, line: Complex, ends: Complex, standing: Index) -> Complex:
    """What the lines that stand, and their images at negative frequencies, leak into the bins of the other orders: (orders, bins).

    Far from a line only its phases at the first and the last moment count: ends (2, orders), as exp(i phase).
    """
    at = place[standing]
    first, last = ends[:, standing] * np.exp(1j * np.pi * np.array([[-1.0], [1.0]]) * at)
    source = line[standing] * (first - last) / (2j * np.pi)
    apart = number[:, :, None] - at
    apart[standing, :, np.arange(standing.size)] = np.inf
    direct = (1 / apart) @ np.column_stack((source.real, source.imag))
    image = (1 / (number[:, :, None] + at)) @ np.column_stack((source.real, -source.imag))
    both = (1 - 2 * (number % 2))[:, :, None] * (direct - image)
    return np.asarray(both[..., 0] + 1j * both[..., 1])


def _walked(fit: _Fit) -> tuple[Array, float] | None:
    """Angle (terms,) when the speed walks at random by as much as the record says, and the standard deviation of its whole change.

    None where the walk is too long for a small correction, or for these terms.
    """
    cov = np.linalg.inv(fit.information)
    noise, carried = cov[1:, 1:], np.linalg.solve(cov[1:, 1:], cov[1:, 0])
    walk = _random_walk(TERMS)
    power, basis = eigh(walk, noise)  # in this basis the noise is 1 and the walk has these variances
    ratio = WANDERS[:, None] ** 2 * noise[1, 1] / walk[1, 1] * power  # (wanders, terms - 1)
    seen, kept = fit.turns[1:] @ basis, ratio / (1 + ratio)
    cost = np.sum(np.log1p(ratio) + seen**2 / (1 + ratio), axis=1)
    likely = np.sqrt(np.sum((ratio / (1 + ratio)) ** 2, axis=1))  # square root of the information that the terms have of the size
    weight = np.exp((cost.min() - cost) / 2) * np.where(WANDERS > 0, (1 - HELD) * likely / likely.sum(), HELD)
    weight /= weight.sum()
    rest = (kept * seen) @ basis.T @ noise  # (wanders, terms - 1); the inverse of the basis is basis.T @ noise
    slope = fit.turns[0] + (rest - fit.turns[1:]) @ carried
    ends = np.array([2.0 * (p % 2) for p in range(2, TERMS + 1)])  # P_p(1) - P_p(-1)
    change = 2 * slope + rest @ ends
    spread = 4 * (cov[0, 0] - carried @ cov[1:, 0]) + kept @ (basis.T @ noise @ (ends + 2 * carried)) ** 2
    beyond = np.array([2.0 * (p % 2) for p in range(TERMS + 1, FURTHEST + 1)])
    whole = _random_walk(FURTHEST)
    tail = beyond @ whole[TERMS - 1 :, TERMS - 1 :] @ beyond  # what the terms left out would add to the change
    spread = spread + WANDERS**2 * noise[1, 1] / walk[1, 1] * tail
    if weight @ (WANDERS**2 * noise[1, 1] / walk[1, 1] * walk[-1, -1] > noise[-1, -1]) > 0.5:
        return None
    return np.concatenate(([weight @ slope], weight @ rest)), float(np.sqrt(weight @ (spread + (change - weight @ change) ** 2)))


@lru_cache
def _random_walk(terms: int) -> Array:
    """Covariance of the terms P_2 ... of an angle whose speed walks at random, (terms - 1, terms - 1), of any size.

    Twice the integral of white noise from -1: cov(a, b) = x^2 (3 y - x) / 6, x the lesser and y the greater of a + 1 and b + 1.
    """
    at, weight = leggauss(96)
    lesser, greater = np.minimum(at, at[:, None]) + 1, np.maximum(at, at[:, None]) + 1
    base = np.array([(p + 0.5) * eval_legendre(p, at) * weight for p in range(2, terms + 1)])
    return np.asarray(base @ (lesser**2 * (3 * greater - lesser) / 6) @ base.T)
