"""Combs of lines at a bearing's defect orders in the envelope spectra of one channel."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from vibekit.bearing import Bearing
from vibekit.envelope import EnvelopeSpectrum
from vibekit.evidence import CAP, SKIRT, Evidence, log_mean
from vibekit.hum import MAINS_HZ
from vibekit.race import Pattern, family, miniature_patterns, patterns

Array = npt.NDArray[np.float64]
TOP_ORDER = 30.0
TWICE = 2 * np.array(MAINS_HZ)  # iron pulls twice a period, rectifiers load twice a period
MAINS_MULTIPLES = np.arange(1.0, 7.0)
MAINS_OFF = 0.001  # of grids in step (common practice, no source)
STRANGERS = (0.65, 1.45)  # orders at which another shaft may turn: below lie cages, above balls
MOST_STRANGERS = 3
SLIP = (-0.015, 0.010)  # relative range of a defect order about its geometry (Randall & Antoni 2011, section 2: 1 to 2 %)
SKIRTS = 0.35  # orders to which a whole order's line may spread
SURE = 5e-4  # relative half width of the speed's interval below which whole orders stand where they should
NEAR_WHOLE = 0.05  # an order this close to a whole or half one may be an electrical line beside it, or the speed's error
HILLS = 0.2  # orders; an echo 15 ms late at 300 Hz makes hills 0.22 apart
HALVES = np.arange(0.5, 8.0)  # orders, at which a loose part strikes every other turn
LOOSE = 5  # of them that must show: strikes at one of these orders draw fewer (common practice, no source)
SHOWS = 2.0  # score from which a comb accounts for lines that fall on another's orders
ANY = "defect comb"  # name of the comb of any race or ball of a small bearing
MULTIPLES = np.array([0.5, 2.0, 3.0, 4.0, 5.0])  # of the order of strikes, at which they draw lines, too (common practice, no source)
SIDES = np.array([-2.0, -1.0, 1.0, 2.0])  # turns of the shaft or the cage by which lines lie beside strikes (the same)


@dataclass(frozen=True, slots=True)
class Comb:
    """How strongly the lines of one kind of damage stand out.

    order: of the strikes, where it fits best
    score: log10 of the e-value, mean over bands, orders within slip, and scatter of the strikes: noise alone reaches s once in 10^s at most
    shown: share of where the strikes may lie, bands and orders, that other lines leave to be seen, where that was asked for
    """

    order: float
    score: float
    shown: float = 1.0


Combs = tuple[tuple[str, Comb], ...]
Shares = tuple[tuple[str, float], ...]
Logs = list[tuple[Pattern, Array]]


def _logs(evidences: list[Evidence], fitting: list[Pattern]) -> Logs:
    """What each band says of each pattern, band by band; of several that are sought at the same orders, these are looked at once."""
    places, logs = {id(pattern.order): pattern for pattern in fitting}, []
    for evidence in evidences:
        roots = {place: pattern.root(evidence) for place, pattern in places.items()}
        logs += [(pattern, pattern.evidence(evidence, roots[id(pattern.order)])) for pattern in fitting]
    return logs


def _comb(logs: Logs, bands: int, *, every: bool = False) -> Comb:
    """One comb from several bands and, of several bearings, the same part of each: the mean of their e-values.

    Of three bands and more the one that shows most is left out: strikes ring wherever the casing does, so what only one band shows is
    something else. every: it counts, too, where the past shows what else there is
    """
    means = np.array([log_mean(log, weight=pattern.weight) for pattern, log in logs])
    pattern, log = logs[int(means.argmax())]
    each = np.sort(log_mean(means.reshape(bands, -1), 1))
    kept = bands - (bands > 2 and not every)
    return Comb(float(pattern.order[log.argmax()]), float(log_mean(each[:kept]) / np.log(10)))


def _seen(evidences: list[Evidence], fitting: list[Pattern], logs: Logs | None = None) -> Comb:
    """The comb of these patterns, one of each bearing, and how much of where it may lie can be seen. logs: of theirs, where made."""
    shown = float(np.mean([pattern.shown(evidence) for evidence in evidences for pattern in fitting]))
    return replace(_comb(logs or _logs(evidences, fitting), len(evidences)), shown=shown)


@dataclass(frozen=True, slots=True)
class Shaft:
    """What is known of the shaft under envelope spectra.

    turn: factor by which whole orders stand off their places; unsure: relative half width of what is left unknown of the speed
    hz: its mean speed; bare: no propeller turns
    """

    turn: float
    unsure: float
    hz: float
    bare: bool

    def strangers(self, spectrum: EnvelopeSpectrum) -> Array:
        """Orders, (n,), of lines that are no bearing's: those at which the mains pulse, and while the speed is not known better than
        `unsure` all at which a whole order may stand under a propeller. A row of blade passes alone does not place them, and stood for
        the second multiple of an outer race.
        """
        mains = _mains(spectrum, self.hz)
        if self.bare or self.unsure <= SURE:
            return mains
        reach = (np.arange(k * (1 - self.unsure), k * (1 + self.unsure), 2 * spectrum.resolution) for k in np.arange(1.0, TOP_ORDER + 1))
        return np.concatenate([mains, *reach])


def shaft_under(spectra: list[EnvelopeSpectrum], speed_u95: float, hz: float, *, bare: bool) -> Shaft:
    """Whole orders are placed by their own lines where the speed does not place them and these show."""
    if speed_u95 < SURE:
        return Shaft(1.0, speed_u95, hz, bare)
    pattern = Pattern("shaft", np.arange(1 - 1.5 * speed_u95, 1 + 1.5 * speed_u95, spectra[0].resolution / 4))
    comb = _comb(_logs([Evidence.of(spectrum, np.array([0.0]), 0.0) for spectrum in spectra], [pattern]), len(spectra))
    return Shaft(comb.order, SURE, hz, bare) if comb.score > SHOWS else Shaft(1.0, speed_u95, hz, bare)


def _mains(spectrum: EnvelopeSpectrum, hz: float) -> Array:
    """Orders, (n,), at which a line stands where the mains would pulse, with the shaft turning at `hz`."""
    order = np.outer(TWICE, MAINS_MULTIPLES).ravel() / hz
    at = np.rint(order[order < spectrum.order[-1] - 1] / spectrum.resolution).astype(int)
    off = np.arange(-SKIRT, SKIRT + 1)
    peak = at + off[spectrum.ratio[np.maximum(at[:, None] + off, 0)].argmax(axis=1)]
    here = np.abs(peak - at) <= 1 + MAINS_OFF * at
    return np.asarray(spectrum.order[np.maximum(peak[here], 0)])


def _apart(evidences: list[Evidence], whole: Array, missing: int) -> list[Evidence]:
    """The same without the lines of other shafts that turn nearby: at a root that is no order of this one, and at its multiples.

    Of its first five, the root among them, all but `missing` must stand out evenly, and count as much as the weakest: a race's lines have
    no such root but for what turns with a cage, two or three times a turn of it.
    """
    seen = [Evidence.of(e.spectrum, whole, 0.0) for e in evidences]
    step = evidences[0].spectrum.resolution
    k = np.arange(1.0, 6.0)[:, None]
    roots = np.arange(*STRANGERS, step / 2)
    for _ in range(MOST_STRANGERS):
        bands = np.stack([e.line(k * roots, step * (0.5 + 0.5 * k)) for e in seen])
        lines = log_mean(bands, 0)
        caged = log_mean(np.stack([e.line(roots / np.array([[2.0], [3.0]]), np.array(step)) for e in seen]), 0).max(axis=0) > CAP / 2
        weakest = np.minimum(lines[0], np.sort(lines[1:], axis=0)[missing])
        together = np.where(caged | (2 * weakest < np.median(lines, axis=0)), 0.0, (5 - missing) * weakest - missing * np.log(4))
        if log_mean(together) < SHOWS * np.log(10):
            break
        root = roots[together.argmax()]
        multiples = root * np.arange(1.0, TOP_ORDER / root)
        near = (multiples + np.arange(-1, 2)[:, None] * step * np.sqrt(multiples)).ravel()
        evidences, seen = ([e.without(near, SKIRTS) for e in each] for each in (evidences, seen))
    return evidences


def _steady(evidences: list[Evidence], turn: float) -> list[Evidence]:
    """The same without half orders where so many show that a part is loose: what strikes every other turn stands for a race near one."""
    step = np.array(evidences[0].spectrum.resolution)
    shown = np.sort(log_mean(np.stack([e.line(turn * HALVES, step) for e in evidences]), 0))
    if shown[-LOOSE] < SHOWS * np.log(10):
        return evidences
    return [e.without(turn * np.arange(0.5, TOP_ORDER), SKIRTS) for e in evidences]


@dataclass(frozen=True, slots=True)
class FoundCombs:
    """What one channel's envelope spectra say of a bearing.

    combs: name of a part of a bearing of known geometry and its comb, and ANY, which counts only where it is none of theirs; ANY alone
        when no geometry is known
    lines: of the known parts, the same with no thought of what a sound one shows: to hold against its past
    anywhere: as lines, of every band and of the whole band as it comes, in which each frequency counts as the casing passes it on; or empty
    shares: where ANY counts, the chance of each race and of a ball if one of them is hurt, all as likely beforehand
    """

    combs: Combs = ()
    lines: Combs = ()
    anywhere: Combs = ()
    shares: Shares = ()


def find_combs(
    spectra: list[EnvelopeSpectrum],
    level: list[EnvelopeSpectrum],
    plain: list[EnvelopeSpectrum],
    bearings: tuple[Bearing, ...],
    shaft: Shaft,
) -> FoundCombs:
    """The comb of each part of the bearings that are known, and of whichever race or ball of a small one.

    spectra: of the whitened bands; level: the same without hills, where any order counts
    plain: of the band as it comes, which counts against the past of known bearings
    The bearing may be another than was named: strikes that stand out at an order that is none of its own, nor beside one, are another's.
    """
    if not bearings:
        other, shares = _unknown(level, shaft)
        return FoundCombs(((ANY, other),), shares=shares)
    known, (other, shares) = _known(spectra, plain, bearings, shaft), _unknown(level, shaft)
    if other.score > max(SHOWS, *(comb.score for _, comb in known.combs)) and not _is_theirs(other, known.combs, bearings):
        unheard = ((name, replace(comb, score=0.0)) for name, comb in known.combs)
        return replace(known, combs=(*unheard, (ANY, other)), shares=shares)
    return replace(known, combs=(*known.combs, (ANY, replace(other, score=0.0))))


def _is_theirs(other: Comb, combs: Combs, bearings: tuple[Bearing, ...]) -> bool:
    """Whether a comb is a known part's, or of the lines of one that stands out: half its order, where a ball strikes one race harder, a
    multiple, or beside it, which strikes at that order draw less than half as strongly. Lines of the cage alone may be a ball's.
    """
    beside = np.concatenate([SIDES, *(bearing.cage * SIDES for bearing in bearings)])
    carried = dict(combs)["cage"].score
    for name, comb in combs:
        if abs(other.order / comb.order - 1) < SLIP[1] - SLIP[0]:
            return True
        score = max(comb.score, carried) if name == "ball" else comb.score
        lines = [comb.order * MULTIPLES] if score > SHOWS else []
        lines += [comb.order + beside] if 2 * score > other.score else []
        if any(np.any(np.abs(each - other.order) < NEAR_WHOLE) for each in lines):
            return True
    return False


def _known(spectra: list[EnvelopeSpectrum], plain: list[EnvelopeSpectrum], bearings: tuple[Bearing, ...], shaft: Shaft) -> FoundCombs:
    """The comb of each part; lines that the strongest accounts for are taken from the others. plain: of the band as it comes."""
    whole = np.concatenate([np.arange(0.0, TOP_ORDER + 1), shaft.turn * np.arange(1.0, TOP_ORDER + 1)])
    slip = (shaft.turn * (1 + SLIP[0] - shaft.unsure) - 1, shaft.turn * (1 + SLIP[1] + shaft.unsure) - 1)

    def free(some: list[EnvelopeSpectrum]) -> list[Evidence]:
        seen = [Evidence.of(spectrum, whole, SKIRTS).without(shaft.strangers(spectrum), NEAR_WHOLE) for spectrum in some]
        return _apart(_steady(seen, shaft.turn), whole, 0)

    evidences = free(spectra)
    sets = [list(fitting) for fitting in zip(*(patterns(bearing, slip, spectra[0].resolution) for bearing in bearings), strict=True)]
    found = {fitting[0].name: _seen(evidences, fitting) for fitting in sets}
    bare, plain_bare = ([replace(evidence, sound=False) for evidence in some] for some in (evidences, free(plain) if plain else []))
    logs = [_logs([*bare, *plain_bare], fitting) for fitting in sets]
    lines = tuple((f[0].name, _comb(log[: len(bare) * len(f)], len(bare))) for f, log in zip(sets, logs, strict=True))
    anywhere = ((f[0].name, _comb(log, len(bare) + len(plain_bare), every=True)) for f, log in zip(sets, logs, strict=True) if plain)
    leader = max(found, key=lambda name: found[name].score)
    if found[leader].score > SHOWS:
        taken = np.concatenate([family(found[leader].order, bearing.cage, TOP_ORDER) for bearing in bearings])
        rest = [evidence.without(taken, NEAR_WHOLE) for evidence in evidences]
        for name, fitting in ((f[0].name, f) for f in sets):
            if name != leader and found[name].score > 0:
                found[name] = min(found[name], _seen(rest, fitting), key=lambda comb: comb.score)
    return FoundCombs(tuple(found.items()), lines, tuple(anywhere))


def _unknown(spectra: list[EnvelopeSpectrum], shaft: Shaft) -> tuple[Comb, Shares]:
    """The comb of whichever race or ball of a small bearing, geometry not known, and which of them it may be."""
    half = np.outer([1.0, shaft.turn], np.arange(0.0, TOP_ORDER + 1, 0.5))
    whole, half = half[:, ::2].ravel(), half.ravel()
    near = (half[:, None] + np.arange(-NEAR_WHOLE, NEAR_WHOLE, 2 * spectra[0].resolution)).ravel()
    evidences = [
        Evidence.of(spectrum, half, SKIRTS).without(near, 0.0).without(shaft.strangers(spectrum), NEAR_WHOLE) for spectrum in spectra
    ]
    evidences = _apart(evidences, whole, 1)
    fitting = list(miniature_patterns(spectra[0].resolution))
    logs = _logs(evidences, fitting)
    found = {pattern.name: _seen(evidences, [pattern], logs[i :: len(fitting)]) for i, pattern in enumerate(fitting)}
    score = np.array([comb.score for comb in found.values()]) * np.log(10)
    share = np.exp(score - score.max())
    best = max(found.values(), key=lambda comb: comb.score)
    comb = Comb(best.order, float(log_mean(score) / np.log(10)), float(np.mean([comb.shown for comb in found.values()])))
    return comb, tuple(zip(found, (share / share.sum()).tolist(), strict=True))
