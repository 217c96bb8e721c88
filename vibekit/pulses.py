"""Does the high band click, pulse once a turn, or pulse at a bearing's defect orders?"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.bearing import Bearing
from vibekit.envelope import SLIP, Comb, EnvelopeSpectrum, comb_at, envelope_spectrum, family, squared_envelope
from vibekit.orders import RANGES
from vibekit.reading import Quantity
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
LOWEST_BAND_HZ = 1500.0
TOP_ORDER = 30.0
RACES = ("outer race", "inner race", "ball", "cage")
UNKNOWN_ORDERS = (1.9, 7.2)  # outer and inner race of 6 to 11 balls with d/D of 0.18 to 0.30 lie inside


@dataclass(frozen=True, slots=True)
class Pulses:
    """What the squared envelopes of the high bands say.

    clickiness: 10 log10 of the envelope's normalised fourth moment over that of Gaussian noise, the largest of the bands
    once_a_turn: level of the envelope's first five whole orders over their noise floor, dB, the largest of the bands
    combs: name of a race (or "defect comb" when no geometry is known) and the best comb found there, over all bands
    spectrum: envelope spectrum of the widest band, None when there is no speed
    """

    clickiness: Quantity | None
    once_a_turn: Quantity | None
    combs: tuple[tuple[str, Comb], ...]
    spectrum: EnvelopeSpectrum | None


def bands_of(top_hz: float) -> list[tuple[float, float]]:
    """The whole band above LOWEST_BAND_HZ and its octaves, up to `top_hz`; empty when there is no room."""
    if top_hz < 1.5 * LOWEST_BAND_HZ:
        return []
    octaves = []
    low = LOWEST_BAND_HZ
    while low * 1.5 <= top_hz:
        octaves.append((low, min(2 * low, top_hz)))
        low *= 2
    return [(LOWEST_BAND_HZ, top_hz), *octaves] if len(octaves) > 1 else octaves


def find_pulses(
    transform: Transform,
    turns_at_s: tuple[Array, Array] | None,
    bearings: tuple[Bearing, ...],
    *,
    top_hz: float,
    speed_u95: float,
    leave_out_s: RANGES,
) -> Pulses:
    """Look at each band of one channel. speed_u95: relative half width of the speed's interval, widens the search for combs."""
    clicks: list[tuple[float, float]] = []
    spectra: list[EnvelopeSpectrum] = []
    for low, high in bands_of(top_hz):
        squared, rate = squared_envelope(transform, low, high)
        clicks.append(_clickiness(squared, rate, leave_out_s))
        if turns_at_s is not None:
            spectrum = envelope_spectrum(squared, rate, turns_at_s, band_hz=(low, high), max_order=TOP_ORDER, leave_out_s=leave_out_s)
            if spectrum is not None:
                spectra.append(spectrum)
    click = Quantity("impulsiveness", *max(clicks), "dB") if clicks else None
    if not spectra:
        return Pulses(click, None, (), None)
    slip = (SLIP[0] - speed_u95, SLIP[1] + speed_u95)
    combs = _race_combs(spectra, bearings, slip) if bearings else _unknown_comb(spectra)
    return Pulses(click, max((_once_a_turn(s) for s in spectra), key=lambda q: q.value), combs, spectra[0])


def _clickiness(squared: Array, rate: float, leave_out_s: RANGES) -> tuple[float, float]:
    """Median over stretches of a tenth of a second, so that a single knock does not count; value and u95 in dB."""
    size = max(int(0.1 * rate), 64)
    count = len(squared) // size
    if count < 1:
        return 0.0, 10.0
    stretch = squared[: count * size].reshape(count, size)
    start = np.arange(count) * size / rate
    end = start + size / rate
    keep = np.array([not any(a < e and s < b for a, b in leave_out_s) for s, e in zip(start, end, strict=True)])
    if keep.any():
        stretch = stretch[keep]
    moment = 10 * np.log10((stretch**2).mean(axis=1) / np.maximum(stretch.mean(axis=1) ** 2, 1e-300) / 2)
    spread = 1.4826 * float(np.median(np.abs(moment - np.median(moment))))
    return float(np.median(moment)), 1.96 * 1.2533 * spread / np.sqrt(len(moment))


def _once_a_turn(spectrum: EnvelopeSpectrum) -> Quantity:
    at = np.round(np.arange(1, 6) / spectrum.resolution).astype(int)
    at = at[at < len(spectrum.ratio) - 1]
    level = np.maximum(spectrum.ratio[at], np.maximum(spectrum.ratio[at - 1], spectrum.ratio[at + 1])).mean() if at.size else 1.0
    u95 = 1.96 * 4.343 * np.sqrt(2 / (spectrum.blocks * max(at.size, 1)) / max(level, 1))
    return Quantity("once a turn", float(10 * np.log10(max(level, 0.1))), float(min(u95, 10.0)), "dB")


def _race_combs(spectra: list[EnvelopeSpectrum], bearings: tuple[Bearing, ...], slip: tuple[float, float]) -> tuple[tuple[str, Comb], ...]:
    """Best comb of each race over bands and bearings; what the strongest race explains is taken from the others."""
    best: dict[str, Comb] = {}
    whole = np.arange(1.0, TOP_ORDER + 1)
    for spectrum in spectra:
        for bearing in bearings:
            orders = dict(zip(RACES, (bearing.outer, bearing.inner, 2 * bearing.ball_spin, bearing.cage), strict=True))
            found = {race: comb_at(spectrum, order, slip=slip, explained=whole) for race, order in orders.items()}
            leader = max(found, key=lambda race: (found[race].score, found[race].height))
            taken = np.concatenate([whole, family(found[leader].order, bearing.cage, TOP_ORDER)])
            for race in RACES:
                if race != leader and found[leader].score > LEADS:
                    found[race] = comb_at(spectrum, orders[race], slip=slip, explained=taken)
                if race not in best or found[race].score > best[race].score:
                    best[race] = found[race]
    return tuple(best.items())


NEAR_WHOLE = 0.05  # an order this close to a whole or half one may be an electrical line beside it, or the speed's error
LEADS = 8.0  # a comb this strong may explain lines that fall on another race's orders


def _unknown_comb(spectra: list[EnvelopeSpectrum]) -> tuple[tuple[str, Comb], ...]:
    """Strongest comb at an order that is no whole or half number, geometry not known; the score pays for the orders tried."""
    best: Comb | None = None
    whole = np.arange(0.5, TOP_ORDER + 1, 0.5)
    known = np.concatenate([whole + shift for shift in np.arange(-NEAR_WHOLE, NEAR_WHOLE, spectra[0].resolution * 2)])
    low, high = UNKNOWN_ORDERS
    middle = (low + high) / 2
    for spectrum in spectra:
        comb = comb_at(spectrum, middle, slip=(low / middle - 1, high / middle - 1), harmonics=4, explained=known)
        price = np.log10((high - low) / spectrum.resolution)
        paid = Comb(comb.order, 0.0, max(comb.score - price, 0.0), comb.lines, comb.height)
        if best is None or paid.score > best.score:
            best = paid
    return (("defect comb", best),) if best else ()
