"""Shaft speed against time: from tacho pulses, a telemetry column, a typed value, or the signal itself."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from vibekit.choice import is_race, simple_ratio
from vibekit.comb import FASTEST_HZ, SLOWEST_HZ, Comb
from vibekit.estimate import Estimate, estimate_speed
from vibekit.hum import Hum, beside, find_hum
from vibekit.modulation import RACES, part_of, rings
from vibekit.reading import SpeedMethod, SpeedResult
from vibekit.recording import Channel, Recording
from vibekit.settings import Settings
from vibekit.tacho import Pulses, read_pulses
from vibekit.telemetry import ELECTRICAL, FURTHEST_S, lag_of, read_column
from vibekit.track import Track
from vibekit.transform import Transform

WIDEST = 0.998  # share of a found speed's own distribution that is taken in before its rivals'
TYPED_REACH = 0.03  # a typed speed may be this far from the true one
CONTRADICTION = 0.0125  # farther from what was typed than a speed set by hand comes (common practice, no source)
SLOWER = 0.9  # of the typed speed: a comb below it is no bearing's and no order's
CLAIMED = 0.75  # confidence from which a speed is claimed
MENTIONED = 0.05  # probability from which a speed that was not claimed is named
LISTED = 0.005  # the same for what a claimed speed might be instead: where no order of its own rules a rival out, chance alone may hide one
SURE = 0.9  # confidence from which a recording may contradict what was typed
FEWEST_PAIRS = 3  # of poles of a brushless motor (common practice, no source): a column twice as fast as the shaft is something else
TELLS = "another speed of the motor tells: lines of hum stay where they are"
MOVES = 0.005  # of the mean: range of a telemetry column from which its lag is looked for


@dataclass(frozen=True, slots=True)
class SpeedTrack(Track):
    """Shaft speed against time, straight lines between.

    time_s: (n,) seconds after the first sample of the part looked at, ascending; hz: (n,) turns a second
    u95_hz: half width of the 95 % interval of the mean speed, the clock's tolerance included
    confidence: probability, 0 to 1, that this is the shaft and not a multiple or a part of it, or something else
    rivals: other speeds in Hz with their probability, most probable first
    rotors: mean speed in Hz of each rotor told apart in flight, with the half width of its 95 % interval
    typed_rpm: what was typed; contradiction: in words, when the recording says otherwise
    missed, doubled: tacho pulses put in and taken out
    has_origin: turn 0 is the same place of the shaft in every recording of it
    notes: what was done to pulses or telemetry, in words
    """

    method: SpeedMethod
    u95_hz: float
    confidence: float = 1.0
    rivals: tuple[tuple[float, float], ...] = ()
    rotors: tuple[tuple[float, float], ...] = ()
    typed_rpm: float | None = None
    contradiction: str | None = None
    missed: int = 0
    doubled: int = 0
    has_origin: bool = True
    notes: tuple[str, ...] = ()

    @property
    def result(self) -> SpeedResult:
        """The speed as a reading states it: near a typed one, what the recording shows; as typed where it shows nothing."""
        named = [(60 * self.mean_hz, self.confidence), *((60 * hz, chance) for hz, chance in self.rivals)]
        least = LISTED if self.is_claimed else MENTIONED
        likeliest = sorted((each for each in named if each[1] >= least), key=lambda each: -each[1])
        candidates = tuple(likeliest) if self.rivals and self.typed_rpm is None else ()
        if not self.is_claimed:
            return SpeedResult("none", candidates=candidates)
        rotors = tuple((60 * hz, 60 * u95) for hz, u95 in self.rotors)
        open_ones = candidates if len(candidates) > 1 else ()
        rpm, u95, slowest, fastest = (60 * float(hz) for hz in (self.mean_hz, self.u95_hz, self.hz.min(), self.hz.max()))
        return SpeedResult(self.method, rpm, u95, slowest, fastest, open_ones, rotors)

    @property
    def is_claimed(self) -> bool:
        """Sure enough to name orders by; a typed speed always is."""
        return self.method != "estimated" or self.confidence >= CLAIMED


def find_speed(
    recording: Recording, settings: Settings, part: slice | None = None, transforms: list[Transform] | None = None
) -> SpeedTrack | None:
    """Shaft speed over a recording or a part of it, None when none can be claimed. Arguments as for `seek_speed`."""
    track = seek_speed(recording, settings, part, transforms)
    return track if track and track.is_claimed else None


def seek_speed(
    recording: Recording,
    settings: Settings,
    part: slice | None = None,
    transforms: list[Transform] | None = None,
    hums: Sequence[Hum] | None = None,
) -> SpeedTrack | None:
    """Likeliest shaft speed over a recording or a part of it, claimed or not, with its rivals; None when nothing looks like one.

    part: samples to look at; times of the track count from its first sample
    transforms, hums: of the vibration channels over that part, and the hum in them, where they are at hand; found here when left out
    Sources in this order: a tacho channel, a telemetry column, `settings.speed_rpm`, the vibration channels.
    """
    samples = recording.samples[:, part or slice(None)]
    rate = recording.rate_hz
    clock = recording.clock(settings.clock)

    @cache
    def channels() -> list[Transform]:
        return [Transform.of(samples[row], rate) for row in recording.rows("vibration")] if transforms is None else transforms

    @cache
    def humming() -> Sequence[Hum]:
        return find_hum(channels()) if hums is None else hums

    @cache
    def heard(low_hz: float = SLOWEST_HZ, high_hz: float = FASTEST_HZ) -> SpeedTrack | None:
        found = estimate_speed(channels(), settings, low_hz, high_hz, beside(humming(), None, 0.0)) if channels() else None
        return _estimated(found, clock, humming()) if found else None

    for row in recording.rows("tacho"):
        track = _from_tacho(samples[row], rate, clock, settings, heard)
        if track:
            return track
    for row in recording.rows("telemetry"):
        track = _from_telemetry(samples[row], rate, recording.channels[row], clock, settings, heard)
        if track:
            return track
    moving = settings.test == "run-up"  # no one speed could be typed
    if settings.speed_rpm is not None and not moving:
        return _from_typed(channels(), settings, settings.speed_rpm, clock, humming())
    return heard()


def _from_tacho(
    voltage: npt.NDArray[np.floating], rate: float, clock: float, settings: Settings, heard: Callable[[], SpeedTrack | None]
) -> SpeedTrack | None:
    """Marks a turn: as stated, as their spacing shows, as the typed speed says; else one, unless the vibration contradicts that."""
    pulses = read_pulses(voltage, rate, settings.marks)
    if pulses is None:
        return None
    why, contradiction = "as stated" if settings.marks else "as their spacing shows", None
    if settings.marks is None and pulses.marks == 1:
        each_s = (pulses.turns.size - 1) / float(pulses.time_s[-1] - pulses.time_s[0])
        other = heard() if settings.speed_rpm is None else None
        sure = other.mean_hz if other and other.confidence >= SURE else None
        ratio = each_s / (settings.speed_rpm / 60 if settings.speed_rpm else sure or each_s)
        several = read_pulses(voltage, rate, round(ratio)) if ratio > 1.5 and abs(ratio / round(ratio) - 1) < TYPED_REACH else None
        if several and settings.speed_rpm:
            pulses, why = several, "as the typed speed says"
        elif several or (abs(ratio - 1) > TYPED_REACH and settings.speed_rpm):
            runs = f"typed {settings.speed_rpm:.0f} rpm" if settings.speed_rpm else f"the recording runs at {60 * (sure or 0):.0f} rpm"
            marks = f" ({round(ratio)} marks a turn? state them with --marks)" if several else ""
            contradiction = f"{runs}, the tacho gives {60 * each_s:.0f} pulses a minute{marks}"
    track = Track.through(pulses.time_s, pulses.turns)
    u95 = math.hypot(1.96 * pulses.mean_sd_hz, clock * track.mean_hz)
    return SpeedTrack(
        track.time_s, track.hz, "tacho", u95, contradiction=contradiction, missed=pulses.missed, doubled=pulses.doubled,
        has_origin=pulses.has_origin, notes=_tacho_notes(pulses, why),
    )  # fmt: skip


def _tacho_notes(pulses: Pulses, why: str) -> tuple[str, ...]:
    notes = []
    if pulses.missed or pulses.doubled:
        notes.append(f"tacho: {pulses.missed} missed pulses put in, {pulses.doubled} doubled ones taken out")
    if pulses.marks > 1:
        places = ", ".join(f"{360 * place:.1f}" for place in pulses.place)
        u95 = 360 * 1.96 * float(pulses.place_sd.max())
        notes.append(f"tacho: {pulses.marks} marks a turn, {why}, found at {places} ± {u95:.1g} degrees, and taken as there")
        if not pulses.has_origin:
            notes.append("tacho: its marks are alike, so no phase can be counted from one of them")
    return tuple(notes)


def _from_telemetry(
    values: npt.NDArray[np.floating],
    rate: float,
    channel: Channel,
    clock: float,
    settings: Settings,
    heard: Callable[..., SpeedTrack | None],
) -> SpeedTrack | None:
    """The column over its pole pairs, and moved by its lag behind the vibration where the two tell it."""
    column = read_column(values, rate, channel.unit)
    if column is None:
        return None
    name = f"telemetry {channel.name}"
    pairs, note, contradiction = _pole_pairs(column.track, channel, settings, heard)
    if pairs is None:
        return None
    shaft, lag, notes = column.over(pairs), None, [f"{name}: {note}"] if note else []
    moved = float(np.ptp(shaft.hz))
    if moved > MOVES * shaft.track.mean_hz:
        seen = heard((1 - TYPED_REACH) * float(shaft.hz.min()), (1 + TYPED_REACH) * float(shaft.hz.max()))
        lag = lag_of(shaft.track, seen) if seen else None
        found = f"comes {lag[0]:.3f} ± {lag[1]:.3f} s after the vibration, moved back by that" if lag else ""
        notes.append(f"{name}: {found or 'its lag behind the vibration does not show, none is taken out'}")
    late, late_u95 = lag or (0.0, 0.0)
    drift = late_u95 * moved / float(shaft.time_s[-1] - shaft.time_s[0])
    u95 = math.hypot(shaft.u95_hz, drift, clock * float(shaft.hz.mean()))
    return SpeedTrack(shaft.time_s - late, shaft.hz, "telemetry", u95, contradiction=contradiction, notes=tuple(notes))


def _pole_pairs(
    column: Track, channel: Channel, settings: Settings, heard: Callable[..., SpeedTrack | None]
) -> tuple[int | None, str, str | None]:
    """Give what a column is divided by, how that is known, and a contradiction; None where it is electrical and nothing tells the poles.

    By the column's name and the poles; else by how many times it runs as fast as a shaft that surely shows in the vibration.
    """
    known, electrical = (settings.poles or 0) // 2, bool(ELECTRICAL.search(channel.name))
    if electrical and known:
        return known, f"electrical speed over {known} pole pairs", None
    other = heard()
    if known and (other is None or other.confidence < SURE):
        other = heard((1 - TYPED_REACH) * float(column.hz.min()) / known, (1 + TYPED_REACH) * float(column.hz.max()) / known)
    if other is None or other.confidence < SURE:
        return None if electrical else 1, "", None
    ends = np.clip([column.time_s[0], column.time_s[-1]], other.time_s[0], other.time_s[-1])
    told, shown = (float(np.diff(track.turns(ends))[0] / max(ends[1] - ends[0], 1e-9)) for track in (column, other))
    ratio, slack = told / shown, FURTHEST_S * float(np.ptp(column.hz)) / told / max(ends[1] - ends[0], FURTHEST_S)
    whole = round(ratio)
    if whole in ((known,) if known else range(FEWEST_PAIRS, 51)) and abs(ratio / whole - 1) < min(TYPED_REACH, 0.3 / whole):
        return whole, f"{ratio:.2f} times the shaft in the vibration: taken over {whole} pole pairs ({2 * whole} poles)", None
    if electrical:
        return None, "", None
    away = abs(ratio - 1) > TYPED_REACH + slack and simple_ratio(ratio) in (None, 2.0)
    runs = f"telemetry {channel.name} says {60 * told:.0f} rpm, the recording runs at {60 * shown:.0f}"
    return 1, "", runs if away else None


def _from_typed(transforms: list[Transform], settings: Settings, rpm: float, clock: float, hums: Sequence[Hum]) -> SpeedTrack:
    """Find the true speed near the typed one; where nothing shows there, take it as typed and say what shows elsewhere."""
    typed = rpm / 60
    hums = beside(hums, typed, TYPED_REACH)
    found = estimate_speed(transforms, settings, typed * (1 - TYPED_REACH), typed * (1 + TYPED_REACH), hums) if transforms else None
    near = _estimated(found, clock, hums) if found else None
    shown = near if near and near.confidence >= 0.5 else None
    is_far = bool(shown and abs(shown.mean_hz / typed - 1) > CONTRADICTION)
    hidden = any(_is_under(typed, hum) for hum in hums)
    if is_far and hidden:
        shown = None
    away = bool(shown and shown.confidence >= SURE and is_far)
    runs, also = shown.mean_hz if shown else typed, ""
    if shown is None or shown.confidence < SURE:
        found = estimate_speed(transforms, settings, hums=hums) if transforms else None
        other = _estimated(found, clock, hums) if found else None
        if found and other and _ruled_out(found, typed, settings) >= SURE:
            away, runs, shown = True, other.mean_hz, None
            also = "".join(f" or {60 * hz:.0f}" for hz, chance in other.rivals if chance >= MENTIONED and not other.is_claimed)
    if shown:
        track = replace(shown, u95_hz=_unless_elsewhere(shown.u95_hz, shown.confidence, TYPED_REACH * typed))
    else:
        flat = Track.steady(typed, transforms[0].n / transforms[0].rate_hz if transforms else 1.0)
        track = SpeedTrack(flat.time_s, flat.hz, "typed", TYPED_REACH * typed, confidence=0.5)
    contradiction = f"typed {rpm:.0f} rpm, the recording runs at {60 * runs:.0f}{also}" if away and not hidden else None
    also_there = f", lines of {60 * runs:.0f} rpm stand beside it" if away else ""
    notes = (f"speed: lines at {rpm:.0f} rpm cannot be told from mains hum{also_there}; {TELLS}",) if hidden and (away or not shown) else ()
    return replace(track, method="typed", typed_rpm=rpm, contradiction=contradiction, notes=notes)


def _unless_elsewhere(u95_hz: float, confidence: float, reach_hz: float) -> float:
    """Half width of the 95 % interval of a speed that is the shaft's with some confidence, and else anywhere within a reach.

    Of the mixture: where the found speed alone holds 95 %, a little wider than its own interval; where it does not, as much of the reach
    besides as holds the rest.
    """
    share = 0.95 / confidence
    if share < WIDEST:
        return u95_hz * float(ndtri((1 + share) / 2)) / 1.96
    return max(u95_hz * float(ndtri((1 + WIDEST) / 2)) / 1.96, reach_hz * (0.95 - WIDEST * confidence) / (1 - confidence))


def _is_under(hz: float, hum: Hum) -> bool:
    """Say whether hum lies at order 1 or 2 of a typed speed, as near as a speed is set by hand: it may be the shaft's own line."""
    return bool(np.any(np.abs(hum.hz / np.array([[hz], [2 * hz]]) - 1) < CONTRADICTION))


def _ruled_out(found: Estimate, typed_hz: float, settings: Settings) -> float:
    """Probability that the shaft is one that cannot be near the typed speed; 0 where the likeliest may be.

    A multiple of the likeliest leaves the same lines to explain, as its half orders or thirds.
    """
    best, *others = (found.choice.comb, found.choice.confidence), *found.choice.rivals
    if not _rules_out(best[0], typed_hz, settings):
        return 0.0
    out = (chance for comb, chance in others if part_of(best[0].hz, comb.hz) or _rules_out(comb, typed_hz, settings))
    return found.presence * (best[1] + sum(out))


def _rules_out(comb: Comb, typed_hz: float, settings: Settings) -> bool:
    """Say whether a comb cannot come from a shaft near the typed speed: as its orders, its half orders, or from its bearing.

    A bearing of unknown size may ring at any multiple in a range; its lines then stand highest where casings ring, a shaft's low down.
    """
    ratio = comb.hz / typed_hz
    if ratio < SLOWER:
        return True
    if settings.test == "flight" or abs(ratio / (round(2 * ratio) / 2) - 1) < TYPED_REACH or is_race(ratio, settings):
        return False
    return settings.test == "prop" or not rings(comb) or not RACES[0] * (1 - TYPED_REACH) < ratio < RACES[1] * (1 + TYPED_REACH)


def _estimated(found: Estimate, clock: float, hums: Sequence[Hum]) -> SpeedTrack:
    track, choice = found.track, found.choice
    of_generator = any(hum.holds(track.mean_hz) and not hum.on_grid for hum in hums)
    sure = choice.confidence * found.presence / (2 if of_generator else 1)  # a generator's lines or a shaft's: either may be
    unsure = hums if sure < CLAIMED else ()
    notes = tuple(f"speed: a shaft at {60 * hum.mains_hz:.0f} rpm could not be told from mains hum; {TELLS}" for hum in unsure)
    u95 = _with_clock(found.mean_sd_hz, clock * track.mean_hz)
    rivals = tuple((comb.hz, chance * found.presence) for comb, chance in choice.rivals if chance * found.presence >= LISTED)
    return SpeedTrack(track.time_s, track.hz, "estimated", u95, sure, rivals, notes=notes)


def _with_clock(sd_hz: float, reach_hz: float) -> float:
    """Half width of the 95 % interval of what scatters normally and is off by anything up to a reach (rectangular: GUM 4.3.7).

    Their convolution, to within 0.3 % of probability: 0.95 of the reach where it is all, 1.96 / sqrt 3 where it is little.
    """
    return math.hypot(1.96 * sd_hz, (1.13 - 0.18 * reach_hz**2 / (reach_hz**2 + 9 * sd_hz**2)) * reach_hz)
