"""One recording in, one reading out: the whole measuring chain in order."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

import vibekit
from vibekit.alias import folded_lines, folded_orders, folded_problem
from vibekit.dominance import NO_OTHER
from vibekit.flight_rotors import ONLY_ONE, rotors_beside
from vibekit.flight_speed import flight_speed
from vibekit.handspin import check_spin, listen, spin_curves, spin_quantities
from vibekit.hover import ROTORS_APART
from vibekit.hum import Hum, beside, find_hum, hum_problems
from vibekit.levels import level_of, octave_levels, peak_of_run_up, unsteadiness
from vibekit.line_groups import HARMONICS, TOP_ORDER, compared_orders, group
from vibekit.mains import without_hum
from vibekit.median import median
from vibekit.motor import Magnetics
from vibekit.order_line import order_lines
from vibekit.orders import RANGES, OrderSpectrum, angular_signal
from vibekit.pieces import pieces_of, together
from vibekit.powers import best_line_power, line_power, whole_line_power
from vibekit.pulses import Pulses, find_pulses, pulse_quantities
from vibekit.reading import Curve, LinePower, OrderLine, Quantity, Reading, SpeedMap, SpeedResult
from vibekit.recording import Recording, Samples
from vibekit.rotors import rotor_tracks
from vibekit.run_up import measure_run_up
from vibekit.screen.basics import dead_channels
from vibekit.screen.blade_pass import check_blade_pass
from vibekit.screen.turns import HELD_SPEED
from vibekit.screening import Screening, gravest_first, leave_out, look_at, screen, screen_speed
from vibekit.settings import Settings
from vibekit.speed import CLAIMED, SpeedTrack, seek_speed
from vibekit.synchronous import one_turn
from vibekit.transform import USED, Transform
from vibekit.window import HANN_NENBW

Array = npt.NDArray[np.float64]
RUN_UP_BLOCK = 32
UNSTEADY = ("run-up", "flight", "hand-spin")  # tests in which a line is not whole in blocks longer than the others
# highest over lowest speed from which a recording whose test was not said may be a flight, with other rotors beside this one: a motor on
# the bench holds its speed to 1 or 2 %, in hover each is led by some (common practice, no source)
ROAMS = 1.03
ROAMING = "the speed wanders as in flight: pulses at a bearing's orders are not looked for; say --test where it was one motor"
FADE, FADE_S = 64, 0.01  # samples at least, and seconds: a line that is cut off at once clicks in every band
CLEAR_S = 0.5  # between two places that are left out: shorter stretches tell nothing of low octaves
NOISE_BINS = 1024  # whose median scatters by a fifth of a decibel: more of them would not show in a picture
UNSURE = 0.5  # relative half width of a speed's interval beyond which pulses at its orders are sought no wider


def analyze(recording: Recording, settings: Settings) -> Reading:
    """Measure one recording: screening, speed, orders, levels, pulses. Pure: the same input gives the same numbers.

    A recording that screening stops is returned with its problems and no numbers. A long one is measured in pieces (`together`).
    """
    pieces = pieces_of(recording, settings)
    return _analyze(recording, settings) if len(pieces) == 1 else together([_analyze(piece, settings) for piece in pieces])


def _analyze(recording: Recording, settings: Settings) -> Reading:
    look = look_at(recording, settings)
    screening = screen(recording, settings, look)
    if look is None or not screening.usable:
        return _reading(recording, settings, screening, SpeedResult("none"))
    part = slice(*look.steady.part)
    if (dead := dead_channels(recording, part)) and len(dead) < len(recording.rows("vibration")):
        recording = recording.without(dead, "one value throughout")  # it would halve what the others measure
    by_hand = settings.test == "hand-spin"
    spin = listen(recording, settings, part) if by_hand else None
    whole = _transforms(recording, part)
    hums = find_hum(whole)
    still = hums if settings.test == "run-up" else beside(hums, None, 0.0) if settings.test == "flight" else ()
    if still:
        recording = without_hum(recording, part, still)
        whole, hums = _transforms(recording, part), ()
    sought = spin.track if spin else _shaft(recording, settings, part, whole, hums)
    speed = spin.speed if spin else sought.result if sought else SpeedResult("none")
    recording = replace(recording, log=(*recording.log, *(sought.notes if sought else ())))
    track = sought if spin or speed.rpm is not None else None  # orders are named by no speed that is not claimed
    folded = folded_orders(recording, settings, speed, part)
    found = tuple(screen_speed(recording, settings, speed, track))
    if by_hand and all(problem.code != HELD_SPEED for problem in found):  # what never slows says why by itself
        found = (*check_spin(spin, recording, settings), *found)
    found += hum_problems(hums, settings.speed_rpm) + tuple(folded_problem(f, settings) for f in folded)
    screening = Screening((*screening.problems, *found))
    if not screening.usable:
        return _reading(recording, settings, screening, speed)
    roams = settings.test is None and track is not None and _roams(track)
    if roams:
        recording = recording.with_log(ROAMING)
    if track:
        hums = beside(hums, track.mean_hz, track.u95_hz / track.mean_hz)
        for hum in hums:
            recording = recording.with_log(f"mains hum at {hum.where}: noise where it falls on a shaft's order")
    seen = Seen.of(recording, part, leave_out(recording, settings, look), whole)
    if spin is None:
        measured = _measured(seen, track, settings, hums, roams=roams)
        if any(q.name == NO_OTHER for q in measured.quantities):
            screening = Screening(gravest_first([*screening.problems, ONLY_ONE]))
        lines = (*measured.lines, *folded_lines(folded, settings))
        screening = Screening(gravest_first([*screening.problems, *check_blade_pass(measured.lines, settings)]))
        return _reading(seen.recording, settings, screening, speed, replace(measured, lines=lines))
    measured = _measured(replace(seen, apart_s=(*seen.apart_s, *spin.apart_s)), track, settings, hums)
    quantities, curves = (*measured.quantities, *spin_quantities(spin, seen.transforms)), (*measured.curves, *spin_curves(spin))
    return _reading(seen.recording, settings, screening, speed, replace(measured, quantities=quantities, curves=curves))


def _shaft(recording: Recording, settings: Settings, part: slice, whole: list[Transform], hums: Sequence[Hum]) -> SpeedTrack | None:
    """Shaft speed; in flight, where no source but the sound tells it, the mean of the rotors. whole, hums: of the part."""
    told = settings.speed_rpm is not None or recording.rows("tacho") or recording.rows("telemetry")
    if settings.test != "flight" or told:
        return seek_speed(recording, settings, part, whole, hums)
    rate = recording.rate_hz
    signals = [recording.samples[row, part] for row in recording.rows("vibration")]
    found = flight_speed(signals, rate, USED * rate, settings.blades, whole)
    if found is None:
        return None
    mean = found.hz
    end = (part.stop - part.start - 1) / rate
    told_apart = rotor_tracks(signals, rate, mean, settings.blades) if found.confidence >= CLAIMED else []
    off = recording.clock(settings.clock) * mean
    rotors = tuple((track.mean_hz, math.hypot(apart, off)) for track, apart in told_apart)
    both, u95 = np.array([mean, mean]), math.hypot(found.u95_hz, off)
    return SpeedTrack(np.array([0.0, end]), both, "estimated", u95, found.confidence, found.rivals, rotors)


@dataclass(frozen=True, slots=True)
class Seen:
    """The part of a recording that is looked at.

    recording: the whole, its log saying what is left out; transforms: of each vibration channel's part
    apart_s: (from, to) seconds of the part that belong to no machine
    clear: transforms of each channel, of each stretch between those: a strong line that is silenced for a moment leaks far
    """

    recording: Recording
    transforms: tuple[Transform, ...]
    apart_s: RANGES
    clear: tuple[tuple[Transform, ...], ...]

    @classmethod
    def of(cls, recording: Recording, part: slice, spans: Sequence[tuple[int, int]], whole: Sequence[Transform] = ()) -> "Seen":
        """Take the samples of `part` and silence `spans` (samples of the whole recording) in it.

        whole: transforms of the part, where they are at hand
        """
        holes = tuple((max(a - part.start, 0), b - part.start) for a, b in spans if a < part.stop and b > part.start)
        rate = recording.rate_hz
        rows = [recording.samples[row, part] for row in recording.rows("vibration")]
        fade = max(FADE, round(FADE_S * rate))
        transforms = tuple(() if holes else whole) or tuple(Transform.of(_without(x, holes, fade), rate) for x in rows)
        stretches = _between(holes, part.stop - part.start, round(CLEAR_S * rate)) if holes else []
        clear = tuple(tuple(Transform.of(x[stretch], rate) for x in rows) for stretch in stretches) or (transforms,)
        reach = fade + FADE  # the fading is heard a little beyond its ends
        apart_s = tuple((max(a - reach, 0) / rate, (b + reach) / rate) for a, b in holes)
        return cls(_noted(recording, part, holes), transforms, apart_s, clear)

    @property
    def unit(self) -> str:
        """Unit of the vibration channels."""
        return self.recording.channels[self.recording.rows("vibration")[0]].unit

    @property
    def names(self) -> list[str]:
        """Names of the vibration channels."""
        return [self.recording.channels[row].name for row in self.recording.rows("vibration")]


@dataclass(frozen=True, slots=True)
class Measured:
    """The numbers of a reading; all empty where screening stops."""

    lines: tuple[OrderLine, ...] = ()
    quantities: tuple[Quantity, ...] = ()
    curves: tuple[Curve, ...] = ()
    maps: tuple[SpeedMap, ...] = ()
    powers: tuple[LinePower, ...] = ()
    whole: tuple[LinePower, ...] = ()
    log: tuple[str, ...] = ()


def _measured(seen: Seen, track: SpeedTrack | None, settings: Settings, hums: Sequence[Hum], *, roams: bool = False) -> Measured:
    """Everything that is measured; without a speed only what needs none. roams: it may be a flight, though nobody said so."""
    turns = _turns(track, seen.transforms[0]) if track else None
    top_hz = USED * seen.recording.rate_hz
    in_air = settings.sensor == "microphone" or seen.unit == "Pa"
    speed_u95 = min(track.u95_hz / track.mean_hz, UNSURE) if track else 0.0
    bare = settings.test == "bare"  # under a propeller its wash pulses anywhere
    paced = None if roams or settings.test in UNSTEADY else turns  # else what is at one Hz, or another rotor's, crosses the orders
    pulses = [
        find_pulses(t, paced, settings.bearings, top_hz=top_hz, speed_u95=speed_u95, leave_out_s=seen.apart_s, echoes=in_air, bare=bare)
        for t in seen.transforms
    ]
    changing, flying = settings.test == "run-up", settings.test == "flight"
    angular = [a for t in seen.transforms if turns and (a := angular_signal(t, turns, max_order=TOP_ORDER, unit=seen.unit))]
    if hums:
        angular = [replace(a, hum=tuple(pair for hum in hums for pair in hum.of(i))) for i, a in enumerate(angular)]
    spectra = [a.spectrum(leave_out_s=seen.apart_s, block_turns=RUN_UP_BLOCK if changing else None) for a in angular]
    halves = [] if settings.test in UNSTEADY else [a.half_orders(max(int(a.turns / 2), 4)) for a in angular]
    first = [_named(s, [(1.0, "1x")], settings)[0].amplitude for s in spectra]
    loudest = int(np.argmax(first)) if first else 0
    run = measure_run_up(seen.transforms[loudest], track, spectra[loudest], settings, seen.unit) if changing and track and spectra else None
    marked = track is not None and track.method == "tacho" and track.has_origin and settings.test not in UNSTEADY
    turn = one_turn(seen.transforms[loudest], track, seen.unit, leave_out_s=seen.apart_s) if track and marked else None
    together = _together(spectra) if spectra else None
    quantities = (
        *(_order_levels(together, settings) if together else ()),
        *octave_levels(seen.clear, top_hz),
        *pulse_quantities(pulses),
        *(run.quantities if run else ()),
        *(turn.quantities if turn else ()),
        *(rotors_beside(seen.transforms[loudest], track.mean_hz, top_hz, settings.blades, seen.apart_s) if flying and track else ()),
    )
    lines = _lines(spectra, loudest, seen.names, settings) if spectra else ()
    curves = _curves(spectra[loudest] if spectra else None, pulses[loudest], seen.transforms[loudest], seen.unit)
    curves += (turn.curve,) if turn else ()
    powers = _powers(together, _together(halves) if halves else together, settings) if together else ()
    at_once = _together([a.half_orders(int(a.turns)) for a in angular]) if halves else None
    whole = tuple(whole_line_power(at_once, p) for p in powers) if at_once else ()
    log = _on_hum(together, settings) if together else ()
    return Measured(lines, quantities, (*curves, *run.curves) if run else curves, run.maps if run else (), powers, whole, log)


def _reading(
    recording: Recording,
    settings: Settings,
    screening: Screening,
    speed: SpeedResult,
    measured: Measured = Measured(),
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
        orders=measured.lines,
        quantities=measured.quantities,
        curves=measured.curves,
        engine=vibekit.__version__,
        log=(*recording.log, *measured.log),
        maps=measured.maps,
        powers=measured.powers,
        whole=measured.whole,
    )


def _noted(recording: Recording, part: slice, holes: tuple[tuple[int, int], ...]) -> Recording:
    """The recording with a line in its log for what is not looked at."""
    rate = recording.rate_hz
    if part.start > 0 or part.stop < recording.samples.shape[1]:
        recording = recording.with_log(f"looked at from {part.start / rate:.2f} s to {part.stop / rate:.2f} s: the ends are not steady")
    if holes:
        spans = ", ".join(f"{(a + part.start) / rate:.2f} to {(b + part.start) / rate:.2f} s" for a, b in holes[:5])
        more = f" and {len(holes) - 5} more" if len(holes) > 5 else ""
        recording = recording.with_log(f"left out: {spans}{more}")
    return recording


def _between(holes: tuple[tuple[int, int], ...], n: int, least: int) -> list[slice]:
    """Stretches of `least` samples and more that no hole of a record (n,) touches."""
    ends = [0, *(end for _, end in sorted(holes))]
    starts = [*(start for start, _ in sorted(holes)), n]
    return [slice(a, b) for a, b in zip(np.maximum.accumulate(ends).tolist(), starts, strict=True) if b - a >= least]


def _without(x: Samples, holes: tuple[tuple[int, int], ...], fade: int) -> Samples:
    """Samples (n,) with those in the holes put to the mean, edges faded over `fade` samples, as a cosine, so that no click is made."""
    if not holes:
        return x
    gate = np.ones(len(x), dtype=x.dtype)
    ramp = (np.cos(np.linspace(0, np.pi, fade)) / 2 + 0.5).astype(x.dtype)
    for a, b in holes:
        gate[a:b] = 0
        before, after = gate[max(a - fade, 0) : a], gate[b : b + fade]
        before[:] = np.minimum(before, ramp[fade - len(before) :])
        after[:] = np.minimum(after, ramp[::-1][: len(after)])
    faded: Samples = (x - x.mean()) * gate
    return faded


def _transforms(recording: Recording, part: slice) -> list[Transform]:
    return [Transform.of(recording.samples[row, part], recording.rate_hz) for row in recording.rows("vibration")]


def _on_hum(spectrum: OrderSpectrum, settings: Settings) -> tuple[str, ...]:
    """In words, on which orders hum lies, and for how much of the recording."""
    share = {name: np.mean(spectrum.hum_powers(order) > 0) for order, name in named_orders(settings).items() if spectrum.holds(order)}
    at = ", ".join(f"{name} for {100 * part:.0f} %" for name, part in share.items() if part)
    return (f"mains hum lies on {at} of the recording: it is noise there",) if at else ()


def _roams(track: SpeedTrack) -> bool:
    """Whether the middle nine tenths of the speeds spread over more than ROAMS."""
    low, high = np.quantile(track.at(np.linspace(track.time_s[0], track.time_s[-1], 200)), (0.05, 0.95))
    return bool(high > ROAMS * low)


def _turns(track: SpeedTrack, transform: Transform) -> tuple[Array, Array]:
    """Times and turns through the part looked at, a point every few turns."""
    end = (transform.n - 1) / transform.rate_hz
    count = int(min(max(end * track.mean_hz * 2, 16), transform.n))
    time = np.linspace(0.0, end, count)
    return time, track.turns(time)


def _together(spectra: list[OrderSpectrum]) -> OrderSpectrum:
    """Power of all channels added: what the sensor feels in all its directions."""
    first = spectra[0]
    power = first.power if len(spectra) == 1 else np.sum([s.power for s in spectra], axis=0)
    hum = tuple((each[0][0], sum(power for _, power in each)) for each in zip(*(s.hum for s in spectra), strict=True))
    return replace(first, power=power, vectors=None, hum=hum)


def _reach(settings: Settings, order: float) -> float:
    return min(ROTORS_APART * order, 0.4) if settings.test == "flight" else 0.0


def named_orders(settings: Settings) -> dict[float, str]:
    """The orders worth a line in the result and what each is called."""
    names = {0.5: "half order", 1.0: "1x", 1.5: "one and a half", 2.5: "two and a half"}
    names |= {float(k): f"{k}x" for k in range(2, HARMONICS + 1)}
    if settings.poles:
        names |= {float(order): name for order, name in Magnetics(settings.poles).orders.items()}
    if settings.blades and settings.test != "bare":
        names |= {float(settings.blades): "blade pass", 2.0 * settings.blades: "2 x blade pass"}
    return dict(sorted(names.items()))


def _lines(spectra: list[OrderSpectrum], loudest: int, names: Sequence[str], settings: Settings) -> tuple[OrderLine, ...]:
    """Lines of the channel with the strongest 1x; with several channels, then 1x of each under the channel's name."""
    orders = [(order, name) for order, name in named_orders(settings).items() if order < spectra[loudest].order[-1] - 0.3]
    lines = _named(spectra[loudest], orders, settings)
    if len(spectra) > 1 and spectra[loudest].order[-1] > 1.3:
        for spectrum, name in zip(spectra, names, strict=True):
            lines += _named(spectrum, [(1.0, f"1x {name}")], settings)
    return lines


def _named(spectrum: OrderSpectrum, orders: list[tuple[float, str]], settings: Settings) -> tuple[OrderLine, ...]:
    """Lines at these orders; in a run-up and in flight none keeps its vector from block to block."""
    steady = spectrum if settings.test not in UNSTEADY else replace(spectrum, vectors=None)
    return order_lines(steady, [(order, name, _reach(settings, order)) for order, name in orders])


def _order_levels(spectrum: OrderSpectrum, settings: Settings) -> tuple[Quantity, ...]:
    """Levels of the groups of orders that conditions are told apart by."""
    found = []
    for name in ("1x", "2x", "half orders", "harmonics", "electrical lines", "blade pass", "other orders"):
        orders = tuple(o for o in group(name, settings) if spectrum.holds(o))
        if orders:
            found.append(level_of(spectrum, orders, name, tuple(_reach(settings, order) for order in orders)))
    wander = peak_of_run_up(spectrum) if settings.test == "run-up" else unsteadiness(spectrum) if settings.test != "flight" else None
    return (*found, wander) if wander else tuple(found)


def _powers(short: OrderSpectrum, long: OrderSpectrum, settings: Settings) -> tuple[LinePower, ...]:
    orders = [o for o in compared_orders(settings) if short.holds(o)]
    if long is short:
        return tuple(line_power(short, o, _reach(settings, o), steady=settings.test == "flight") for o in orders)
    return tuple(best_line_power(short, long, o) for o in orders)


def _curves(spectrum: OrderSpectrum | None, pulses: Pulses, transform: Transform, unit: str) -> tuple[Curve, ...]:
    curves = []
    if spectrum is not None:
        bandwidth = HANN_NENBW * spectrum.resolution
        curves.append(Curve("order", spectrum.order, spectrum.amplitude, "order", unit, bandwidth))
        curves.append(Curve("order floor", spectrum.order, spectrum.floor.astype(np.float64), "order", unit, bandwidth))
    if pulses.spectrum is not None:
        ratio = 10 * np.log10(np.maximum(pulses.spectrum.ratio, 1e-3))
        curves.append(Curve("envelope", pulses.spectrum.order, ratio, "order", "dB over noise", HANN_NENBW * pulses.spectrum.resolution))
    curves.append(_noise_curve(transform, unit))
    return tuple(curves)


def _noise_curve(transform: Transform, unit: str) -> Curve:
    """Density of the broadband noise, twelve points an octave, median of the bins of each."""
    count = max(int(12 * math.log2(max(USED * transform.rate_hz / 50.0, 2.0))), 2)
    edges = np.geomspace(50.0, USED * transform.rate_hz, count + 1)
    at = np.minimum((edges / transform.resolution_hz).astype(int), len(transform.bins) - 2)
    bins = [transform.bins[a : max(b, a + 1) : max((b - a) // NOISE_BINS, 1)] for a, b in pairwise(at)]
    power = np.array([median(part.real**2 + part.imag**2) for part in bins])
    density = power / np.log(2) * 2 / (transform.n * transform.rate_hz)
    level = 10 * np.log10(np.maximum(density, 1e-30))
    return Curve("noise", np.sqrt(edges[:-1] * edges[1:]), level, "Hz", f"dB re 1 {unit}^2/Hz", float(edges[1] - edges[0]))
