"""Does the high band click, pulse once a turn, or pulse at a bearing's defect orders?"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from vibekit.bearing import Bearing
from vibekit.clicks import Clicks, find_clicks
from vibekit.envelope import FLOOR, PARTS, TURN_ORDERS, EnvelopeSpectrum, envelope_spectrum, squared, squared_envelope
from vibekit.evidence import CAP, SKIRT, Evidence, log_mean
from vibekit.hum import MAINS_HZ
from vibekit.kurtogram import kurtogram
from vibekit.long_transform import Real
from vibekit.median import MAD_SHARE, MAD_TO_SD, MEDIAN_ERROR
from vibekit.normal import Z95
from vibekit.orders import RANGES
from vibekit.race import Pattern, family, miniature_patterns, patterns
from vibekit.reading import SCORE, Quantity
from vibekit.transform import Transform
from vibekit.window import HANN_LIKENESS

Array = npt.NDArray[np.float64]
LOWEST_BAND_HZ = 1500.0
LOWEST_TURNS = 20.0  # times the shaft's frequency: above its harmonics, which are tall
NARROWEST_TURNS = 15.0  # times the shaft's frequency: two multiples of the strikes of any race either side of a ring
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
Logs = list[tuple[Pattern, Array]]
LINES = " lines"  # ends the name of the score that is held against the past
SHOWN = " shown"  # the share of where it may lie that can be seen
SHARE = "share "  # begins the name of a part's chance, if a bearing is hurt whose geometry is not known
ANYWHERE = " anywhere"  # the same of the score that counts every band


@dataclass(frozen=True, slots=True)
class Pulses:
    """What the squared envelopes of the high bands say.

    clickiness: 10 log10 of the envelope's normalised fourth moment over that of Gaussian noise, the largest of the bands
    clicks: those of the band that clicks most
    once_a_turn: level of the envelope's first five whole orders over their noise floor, dB, the largest of the bands
    combs: name of a race and its comb; when no geometry is known, of "defect comb", any race or ball of a small bearing
    lines: of the parts of a bearing of known geometry, the same with no thought of what a sound one shows: to hold against its past
    anywhere: as lines, of every band and of the whole band as it comes, in which each frequency counts as the casing passes it on; or empty
    shares: when no geometry is known, the chance of each race and of a ball if one of them is hurt, all as likely beforehand
    spectrum: envelope spectrum of the widest band, None when there is no speed
    """

    clickiness: Quantity | None
    clicks: Clicks | None
    once_a_turn: Quantity | None
    combs: Combs
    lines: Combs
    anywhere: Combs
    shares: tuple[tuple[str, float], ...]
    spectrum: EnvelopeSpectrum | None


def bands_of(top_hz: float) -> list[tuple[float, float]]:
    """The whole band above LOWEST_BAND_HZ and its octaves, up to `top_hz`; empty when there is no room."""
    count = round(np.log2(max(top_hz / LOWEST_BAND_HZ, 1.0)))
    if count < 1:
        return []
    edges = np.geomspace(LOWEST_BAND_HZ, top_hz, count + 1).tolist()
    return [(LOWEST_BAND_HZ, top_hz), *(pairwise(edges) if count > 1 else ())]


def find_pulses(
    transform: Transform,
    turns_at_s: tuple[Array, Array] | None,
    bearings: tuple[Bearing, ...],
    *,
    top_hz: float,
    speed_u95: float,
    leave_out_s: RANGES,
    echoes: bool = False,
    bare: bool = True,
) -> Pulses:
    """Look at each band of one channel.

    speed_u95: relative half width of the speed's interval, widens the search for combs
    echoes: the sound came by more than one way, so clicks at random draw hills, which are no comb (`EnvelopeSpectrum.levelled`)
    bare: no propeller turns, whose wash pulses anywhere: with known bearings every band counts, and the whole band as it comes, and no
        blade pass stands in a race's place while the speed is unsure
    """
    bands = bands_of(top_hz)
    if not bands:
        return Pulses(None, None, None, (), (), (), (), None)
    hz = float(np.ptp(turns_at_s[1]) / np.ptp(turns_at_s[0])) if turns_at_s else None
    low = [(LOWEST_TURNS * hz, LOWEST_BAND_HZ)] if hz and 2 * LOWEST_TURNS * hz < LOWEST_BAND_HZ else []
    white = transform.whitened(low[0][0] if low else LOWEST_BAND_HZ, top_hz)
    analytic, rate = white.analytic(*bands[0])
    envelopes = [(squared(analytic), rate), *(squared_envelope(white, *band) for band in bands[1:])]
    clicking = [Quantity("impulsiveness", *_clickiness(y, rate, leave_out_s), "dB") for y, rate in envelopes]
    loudest = max(range(len(bands)), key=lambda i: clicking[i].value)
    clicks = find_clicks(*envelopes[loudest], leave_out_s)
    if turns_at_s is None or hz is None:
        return Pulses(clicking[loudest], clicks, None, (), (), (), (), None)
    gram = kurtogram(analytic, rate, bands[0], narrowest_hz=NARROWEST_TURNS * hz, leave_out_s=leave_out_s)
    more = [*low, *([gram.band_hz] if gram and gram.band_hz and gram.band_hz not in bands else [])]
    envelopes += [squared_envelope(white, *band) for band in more]
    as_it_comes = bool(bearings) and bare
    if as_it_comes:
        envelopes.append(squared_envelope(transform, *bands[0]))
        more.append(bands[0])
    found = [
        envelope_spectrum(y, rate, turns_at_s, band_hz=band, max_order=TOP_ORDER, leave_out_s=leave_out_s)
        for (y, rate), band in zip(envelopes, [*bands, *more], strict=True)
    ]
    spectra = [spectrum for spectrum in found if spectrum is not None]
    if not spectra:
        return Pulses(clicking[loudest], clicks, None, (), (), (), (), None)
    plain = [spectra.pop()] if as_it_comes else []
    shaft = _shaft(spectra, speed_u95, hz, bare=bare)
    even, plain = ([s.levelled(HILLS) if echoes else s for s in each] for each in (spectra, plain))
    once = max((_once_a_turn(s) for s in spectra[: len(bands)]), key=lambda q: q.value)
    if bearings:
        found_combs = _known(even, plain, bearings, shaft)
        return Pulses(clicking[loudest], clicks, once, *found_combs, (), spectra[0])
    combs, shares = _unknown(spectra, shaft)
    return Pulses(clicking[loudest], clicks, once, combs, (), (), shares, spectra[0])


def pulse_quantities(pulses: Sequence[Pulses]) -> tuple[Quantity, ...]:
    """What a reading says: of each the strongest of all channels. A score is itself a statement of chance and has no interval."""
    found: list[Quantity] = []
    clicking = [(p.clickiness.value, p.clickiness, p.clicks) for p in pulses if p.clickiness and p.clicks]
    if clicking:
        _, click, clicks = max(clicking, key=lambda each: each[0])
        found += [click, *clicks.quantities]
    turning = [p.once_a_turn for p in pulses if p.once_a_turn]
    if turning:
        found.append(max(turning, key=lambda q: q.value))
    for name in dict.fromkeys(name for p in pulses for name, _ in p.combs):
        best = max((p for p in pulses if name in dict(p.combs)), key=lambda p: dict(p.combs)[name].score)
        score = dict(best.combs)[name].score
        found += [Quantity(name, max(score, 0.0), 0.0, SCORE), Quantity(name + SHOWN, dict(best.combs)[name].shown, 0.0, "1")]
        for end, several in ((LINES, [p.lines for p in pulses]), (ANYWHERE, [p.anywhere for p in pulses])):
            if any(several):
                found.append(Quantity(name + end, max(dict(some)[name].score for some in several if some), 0.0, SCORE))
        if score > SHOWS:
            found += [Quantity(SHARE + part, share, 0.0, "1") for part, share in best.shares]
    return tuple(found)


def _clickiness(squared: Real, rate: float, leave_out_s: RANGES) -> tuple[float, float]:
    """Median over stretches of a tenth of a second, so that a single knock does not count; value and u95 in dB."""
    size = max(int(0.1 * rate), 64)
    count = len(squared) // size
    if count < 1:
        return 0.0, 10.0
    stretch = squared[: count * size].reshape(count, size)
    start = np.arange(count) * size / rate
    keep = np.full(count, fill_value=True)
    for a, b in leave_out_s:
        keep &= (start >= b) | (start + size / rate <= a)
    if keep.any():
        stretch = stretch[keep]
    fourth = np.einsum("ij,ij->i", stretch, stretch) / size
    moment = 10 * np.log10(fourth / np.maximum(stretch.mean(axis=1) ** 2, 1e-300) / 2)
    spread = MAD_TO_SD * float(np.median(np.abs(moment - np.median(moment))))
    t = float(stdtrit(max(MAD_SHARE * len(moment), 2.0), 0.975))
    return float(np.median(moment)), t * MEDIAN_ERROR * spread / float(np.sqrt(len(moment)))


def _once_a_turn(spectrum: EnvelopeSpectrum) -> Quantity:
    """Level of the first five whole orders; its interval from noise under the lines, or from how they come and go, whichever tells more
    of it, and from the floor, a median over FLOOR orders.
    """
    at = np.round(np.arange(1, TURN_ORDERS + 1) / spectrum.resolution).astype(int)
    at = at[at < len(spectrum.ratio) - 1]
    lines = np.maximum(spectrum.ratio[at], np.maximum(spectrum.ratio[at - 1], spectrum.ratio[at + 1])) if at.size else np.ones(1)
    level = float(lines.mean())
    noise = Z95 * np.sqrt(2 / (spectrum.blocks * len(lines)) / max(level, 1.0))
    apart = float(np.sum(lines) ** 2 / np.sum(lines**2))  # so many lines as tall as the tallest, each over a floor of its own
    floor = Z95 / np.log(2) / np.sqrt(spectrum.blocks * FLOOR / spectrum.resolution / HANN_LIKENESS) / np.sqrt(apart)
    u95 = 4.343 * float(np.hypot(max(noise, stdtrit(PARTS - 1, 0.975) * spectrum.turn_error), floor))
    return Quantity("once a turn", float(10 * np.log10(max(level, 0.1))), min(u95, 10.0), "dB")


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
class _Shaft:
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


def _shaft(spectra: list[EnvelopeSpectrum], speed_u95: float, hz: float, *, bare: bool) -> _Shaft:
    """Whole orders are placed by their own lines where the speed does not place them and these show."""
    if speed_u95 < SURE:
        return _Shaft(1.0, speed_u95, hz, bare)
    pattern = Pattern("shaft", np.arange(1 - 1.5 * speed_u95, 1 + 1.5 * speed_u95, spectra[0].resolution / 4))
    comb = _comb(_logs([Evidence.of(spectrum, np.array([0.0]), 0.0) for spectrum in spectra], [pattern]), len(spectra))
    return _Shaft(comb.order, SURE, hz, bare) if comb.score > SHOWS else _Shaft(1.0, speed_u95, hz, bare)


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


def _known(
    spectra: list[EnvelopeSpectrum], plain: list[EnvelopeSpectrum], bearings: tuple[Bearing, ...], shaft: _Shaft
) -> tuple[Combs, Combs, Combs]:
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
    return tuple(found.items()), lines, tuple(anywhere)


def _unknown(spectra: list[EnvelopeSpectrum], shaft: _Shaft) -> tuple[Combs, tuple[tuple[str, float], ...]]:
    """The comb of whichever race or ball of a small bearing, geometry not known, and which of them it may be."""
    half = np.outer([1.0, shaft.turn], np.arange(0.0, TOP_ORDER + 1, 0.5))
    whole, half = half[:, ::2].ravel(), half.ravel()
    near = (half[:, None] + np.arange(-NEAR_WHOLE, NEAR_WHOLE, 2 * spectra[0].resolution)).ravel()
    evidences = [
        Evidence.of(spectrum.levelled(HILLS), half, SKIRTS).without(near, 0.0).without(shaft.strangers(spectrum), NEAR_WHOLE)
        for spectrum in spectra
    ]
    evidences = _apart(evidences, whole, 1)
    fitting = list(miniature_patterns(spectra[0].resolution))
    logs = _logs(evidences, fitting)
    found = {pattern.name: _seen(evidences, [pattern], logs[i :: len(fitting)]) for i, pattern in enumerate(fitting)}
    score = np.array([comb.score for comb in found.values()]) * np.log(10)
    share = np.exp(score - score.max())
    best = max(found.values(), key=lambda comb: comb.score)
    comb = Comb(best.order, float(log_mean(score) / np.log(10)), float(np.mean([comb.shown for comb in found.values()])))
    return (("defect comb", comb),), tuple(zip(found, (share / share.sum()).tolist(), strict=True))
