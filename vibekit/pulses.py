"""Does the high band click, pulse once a turn, or pulse at a bearing's defect orders?"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from vibekit.bearing import Bearing
from vibekit.clicks import Clicks, find_clicks
from vibekit.defect_comb import HILLS, SHOWS, TOP_ORDER, FoundCombs, find_combs, shaft_under
from vibekit.envelope import FLOOR, PARTS, TURN_ORDERS, EnvelopeSpectrum, envelope_spectrum, squared, squared_envelope
from vibekit.kurtogram import kurtogram
from vibekit.long_transform import Real
from vibekit.median import MAD_SHARE, MAD_TO_SD, MEDIAN_ERROR
from vibekit.normal import Z95
from vibekit.orders import RANGES
from vibekit.reading import SCORE, Quantity
from vibekit.transform import Transform
from vibekit.window import HANN_LIKENESS

Array = npt.NDArray[np.float64]
LOWEST_BAND_HZ = 1500.0
LOWEST_TURNS = 20.0  # times the shaft's frequency: above its harmonics, which are tall
NARROWEST_TURNS = 15.0  # times the shaft's frequency: two multiples of the strikes of any race either side of a ring
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
    bearing: lines at defect orders
    spectrum: envelope spectrum of the widest band, None when there is no speed
    """

    clickiness: Quantity | None
    clicks: Clicks | None
    once_a_turn: Quantity | None
    bearing: FoundCombs
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
        return Pulses(None, None, None, FoundCombs(), None)
    hz = float(np.ptp(turns_at_s[1]) / np.ptp(turns_at_s[0])) if turns_at_s else None
    low = [(LOWEST_TURNS * hz, LOWEST_BAND_HZ)] if hz and 2 * LOWEST_TURNS * hz < LOWEST_BAND_HZ else []
    white = transform.whitened(low[0][0] if low else LOWEST_BAND_HZ, top_hz)
    analytic, rate = white.analytic(*bands[0])
    envelopes = [(squared(analytic), rate), *(squared_envelope(white, *band) for band in bands[1:])]
    clicking = [Quantity("impulsiveness", *_clickiness(y, rate, leave_out_s), "dB") for y, rate in envelopes]
    loudest = max(range(len(bands)), key=lambda i: clicking[i].value)
    clicks = find_clicks(*envelopes[loudest], leave_out_s)
    if turns_at_s is None or hz is None:
        return Pulses(clicking[loudest], clicks, None, FoundCombs(), None)
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
        return Pulses(clicking[loudest], clicks, None, FoundCombs(), None)
    plain = [spectra.pop()] if as_it_comes else []
    shaft = shaft_under(spectra, speed_u95, hz, bare=bare)
    widest, level = spectra[0], [s.levelled(HILLS) for s in spectra]
    if echoes:
        spectra, plain = level, [s.levelled(HILLS) for s in plain]
    once = max((_once_a_turn(s) for s in spectra[: len(bands)]), key=lambda q: q.value)
    return Pulses(clicking[loudest], clicks, once, find_combs(spectra, level, plain, bearings, shaft), widest)


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
    channels = [p.bearing for p in pulses if p.bearing.combs]
    for name in dict.fromkeys(name for channel in channels for name, _ in channel.combs):
        best = max(channels, key=lambda channel: dict(channel.combs)[name].score)
        score = dict(best.combs)[name].score
        found += [Quantity(name, max(score, 0.0), 0.0, SCORE), Quantity(name + SHOWN, dict(best.combs)[name].shown, 0.0, "1")]
        for end, several in ((LINES, [dict(c.lines) for c in channels]), (ANYWHERE, [dict(c.anywhere) for c in channels])):
            if scores := [each[name].score for each in several if name in each]:
                found.append(Quantity(name + end, max(scores), 0.0, SCORE))
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
