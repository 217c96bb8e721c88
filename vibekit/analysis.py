"""One recording in, one reading out: the whole measuring chain in order."""

import math

import numpy as np
import numpy.typing as npt

import vibekit
from vibekit.levels import level_of, line, octave_levels, unsteadiness
from vibekit.orders import RANGES, OrderSpectrum, order_spectrum
from vibekit.pulses import Pulses, find_pulses
from vibekit.reading import Curve, OrderLine, Quantity, Reading, SpeedResult
from vibekit.recording import Recording
from vibekit.screening import Screening
from vibekit.settings import Settings
from vibekit.speed import SpeedTrack, find_speed
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
HARMONICS = 10
TOP_ORDER = 32.0
FLIGHT_REACH = 0.15  # the rotors of a craft in flight turn up to this far from their mean speed
USED = 0.45  # part of the sampling rate below which a band is used


def analyze(recording: Recording, settings: Settings) -> Reading:
    """Measure one recording: screening, speed, orders, levels, pulses. Pure: the same input gives the same numbers.

    A recording that screening stops is returned with its problems and no numbers.
    """
    screening = Screening()
    if not screening.usable:
        return _reading(recording, settings, screening, SpeedResult("none"), (), (), ())
    part, leave_out = slice(None), ()
    track = find_speed(recording, settings, part)
    transforms = [Transform.of(recording.samples[row, part], recording.rate_hz) for row in recording.rows("vibration")]
    turns = _turns(track, transforms[0]) if track else None
    top_hz = USED * recording.rate_hz
    spectra = [s for s in (_orders(t, turns, recording, leave_out) for t in transforms) if s] if turns else []
    speed_u95 = track.u95_hz / track.mean_hz if track else 0.0
    pulses = [
        find_pulses(t, turns, settings.bearings, top_hz=top_hz, speed_u95=speed_u95, leave_out_s=leave_out) for t in transforms
    ]
    loudest = int(np.argmax([s.line_power(1.0)[0].mean() for s in spectra])) if spectra else 0
    lines = _lines(spectra, loudest, recording, settings) if spectra else ()
    quantities = (
        *(_order_levels(_together(spectra), settings) if spectra else ()),
        *octave_levels(transforms, top_hz),
        *_pulse_quantities(pulses),
    )
    curves = _curves(spectra[loudest] if spectra else None, pulses[loudest], transforms[loudest], recording)
    return _reading(recording, settings, screening, track.result if track else SpeedResult("none"), lines, quantities, curves)


def _reading(
    recording: Recording,
    settings: Settings,
    screening: Screening,
    speed: SpeedResult,
    lines: tuple[OrderLine, ...],
    quantities: tuple[Quantity, ...],
    curves: tuple[Curve, ...],
) -> Reading:
    return Reading(
        file=recording.source.file,
        sha256=recording.source.sha256,
        rate_hz=recording.rate_hz,
        duration_s=recording.duration_s,
        channels=tuple((channel.role, channel.unit) for channel in recording.channels),
        settings=settings,
        screening=screening,
        speed=speed,
        orders=lines,
        quantities=quantities,
        curves=curves,
        engine=vibekit.__version__,
        log=recording.log,
    )


def _turns(track: SpeedTrack, transform: Transform) -> tuple[Array, Array]:
    """Times and turns through the part looked at, a point every few turns."""
    end = (transform.n - 1) / transform.rate_hz
    count = int(min(max(end * track.mean_hz * 2, 16), transform.n))
    time = np.linspace(0.0, end, count)
    return time, track.turns(time)


def _orders(transform: Transform, turns: tuple[Array, Array], recording: Recording, leave_out: RANGES) -> OrderSpectrum | None:
    unit = recording.channels[recording.rows("vibration")[0]].unit
    return order_spectrum(transform, turns, max_order=TOP_ORDER, unit=unit, leave_out_s=leave_out)


def _together(spectra: list[OrderSpectrum]) -> OrderSpectrum:
    """Power of all channels added: what the sensor feels in all its directions."""
    first = spectra[0]
    return OrderSpectrum(
        first.order, np.sum([s.power for s in spectra], axis=0), first.centre_s, first.speed_hz, first.resolution, first.unit
    )


def _reach(settings: Settings, order: float) -> float:
    return min(FLIGHT_REACH * order, 0.4) if settings.test == "flight" else 0.0


def named_orders(settings: Settings) -> dict[float, str]:
    """The orders worth a line in the result and what each is called."""
    names = {0.5: "half order", 1.0: "1x", 1.5: "one and a half", 2.5: "two and a half"}
    names |= {float(k): f"{k}x" for k in range(2, HARMONICS + 1)}
    if settings.poles:
        pairs = settings.poles // 2
        names |= {float(pairs): "electrical", 2.0 * pairs: "2 x electrical", 6.0 * pairs: "commutation"}
    if settings.blades and settings.test != "bare":
        names |= {float(settings.blades): "blade pass", 2.0 * settings.blades: "2 x blade pass"}
    return dict(sorted(names.items()))


def _lines(spectra: list[OrderSpectrum], loudest: int, recording: Recording, settings: Settings) -> tuple[OrderLine, ...]:
    """Lines of the channel with the strongest 1x; with several channels, then 1x of each under the channel's name."""
    spectrum = spectra[loudest]
    top = spectrum.order[-1] - 3 * spectrum.resolution
    lines = [line(spectrum, order, name, _reach(settings, order)) for order, name in named_orders(settings).items() if order < top]
    if len(spectra) > 1:
        rows = recording.rows("vibration")
        lines += [line(s, 1.0, f"1x {recording.channels[r].name}", _reach(settings, 1.0)) for s, r in zip(spectra, rows, strict=True)]
    return tuple(lines)


def _order_levels(spectrum: OrderSpectrum, settings: Settings) -> tuple[Quantity, ...]:
    """Levels of the groups of orders that conditions are told apart by."""
    top = spectrum.order[-1] - 1.0
    blades = settings.blades if settings.blades and settings.test != "bare" else 0
    electrical = {settings.poles // 2 * k for k in (1, 2, 6)} if settings.poles else set()
    whole = [k for k in range(3, HARMONICS + 1) if k not in electrical and not (blades and k % blades == 0)]
    groups: dict[str, list[float]] = {
        "1x": [1.0],
        "2x": [2.0],
        "half orders": [0.5, 1.5, 2.5, 3.5],
        "harmonics": [float(k) for k in whole],
        "electrical lines": [float(k) for k in sorted(electrical)],
    }
    if blades > 1:
        groups["blade pass"] = [float(blades)]
        groups["other orders"] = [float(k) for k in range(2, 2 * blades) if k % blades]
    elif not blades and settings.test != "bare":
        groups["other orders"] = [3.0, 5.0]
    found = []
    for name, orders in groups.items():
        fits = tuple(order for order in orders if order < top)
        if fits:
            found.append(level_of(spectrum, fits, name, tuple(_reach(settings, order) for order in fits)))
    steady = unsteadiness(spectrum)
    return (*found, steady) if steady and settings.test != "flight" else tuple(found)


def _pulse_quantities(pulses: list[Pulses]) -> tuple[Quantity, ...]:
    """The strongest of all channels."""
    found = []
    for get in (lambda p: p.clickiness, lambda p: p.once_a_turn):
        measured = [q for q in map(get, pulses) if q is not None]
        if measured:
            found.append(max(measured, key=lambda q: q.value))
    scores: dict[str, float] = {}
    for name, comb in (pair for p in pulses for pair in p.combs):
        scores[name] = max(scores.get(name, 0.0), comb.score)
    # a score is itself a statement of chance, -log10 p summed over lines: it has no interval
    return (*found, *(Quantity(name, score, 0.0, "-log10 p") for name, score in scores.items()))


def _curves(spectrum: OrderSpectrum | None, pulses: Pulses, transform: Transform, recording: Recording) -> tuple[Curve, ...]:
    unit = recording.channels[recording.rows("vibration")[0]].unit
    curves = []
    if spectrum is not None:
        curves.append(Curve("order", spectrum.order, spectrum.amplitude, "order", unit, 1.5 * spectrum.resolution))
        curves.append(Curve("order floor", spectrum.order, spectrum.floor.astype(np.float64), "order", unit, 1.5 * spectrum.resolution))
    if pulses.spectrum is not None:
        ratio = 10 * np.log10(np.maximum(pulses.spectrum.ratio, 1e-3))
        curves.append(Curve("envelope", pulses.spectrum.order, ratio, "order", "dB over noise", 1.5 * pulses.spectrum.resolution))
    curves.append(_noise_curve(transform, unit))
    return tuple(curves)


def _noise_curve(transform: Transform, unit: str) -> Curve:
    """Density of the broadband noise, twelve points an octave, median of the bins of each."""
    count = max(int(12 * math.log2(max(USED * transform.rate_hz / 50.0, 2.0))), 2)
    edges = np.geomspace(50.0, USED * transform.rate_hz, count + 1)
    at = np.minimum((edges / transform.resolution_hz).astype(int), len(transform.bins) - 2)
    power = np.array([np.median(np.abs(transform.bins[a : max(b, a + 1)]) ** 2) for a, b in zip(at[:-1], at[1:], strict=True)])
    density = power / np.log(2) * 2 / (transform.n * transform.rate_hz)
    level = 10 * np.log10(np.maximum(density, 1e-30))
    return Curve("noise", np.sqrt(edges[:-1] * edges[1:]), level, "Hz", f"dB re 1 {unit}^2/Hz", float(edges[1] - edges[0]))
