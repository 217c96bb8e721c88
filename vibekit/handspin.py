"""A motor spun by hand: how it coasts down, flick by flick, what slows it and how rough it runs."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from vibekit.coastdown import CoastDown, fit_coast_down
from vibekit.orders import RANGES
from vibekit.problem import Problem
from vibekit.reading import Curve, Quantity, SpeedMethod, SpeedResult
from vibekit.recording import Recording
from vibekit.settings import UNCALIBRATED, Settings
from vibekit.speed import SpeedTrack
from vibekit.spin_clicks import find_clicks
from vibekit.spin_track import Spin, find_spins, is_fast_enough, spins_of_pulses
from vibekit.tacho import edges
from vibekit.transform import Transform

FROM_RPM, TO_RPM = 500.0, 150.0  # between these the coast time is stated: every finger reaches the one, cogging catches below the other
FLICK_SCATTER, WORTH = 0.04, 4.0  # of one motor's drag from flick to flick, and how many flicks this prior counts for (no source)
LATER_S = 1e6  # than any recording ends
POINTS = 160  # of a curve kept
COAST = "coast-down"  # kind of the curves of speed against time
DRAG = "drag"
FLICKS = "flicks"  # kind of the curve that holds the coast time of each flick


@dataclass(frozen=True, slots=True)
class HandSpin:
    """What the flicks of one recording say.

    fits: of the coast-downs long enough; times count from the start of the part listened to
    clock: relative tolerance of the sensor's clock
    """

    spins: tuple[Spin, ...]
    fits: tuple[CoastDown, ...]
    method: SpeedMethod = "estimated"
    clock: float = UNCALIBRATED

    @property
    def speed(self) -> SpeedResult:
        """Mean speed while it coasts, and the range."""
        hz = np.concatenate([spin.hz for spin in self.spins])
        bends = np.concatenate([np.diff(spin.hz, 2) for spin in self.spins])
        mean, noise = 60 * float(hz.mean()), 60 * float(np.sqrt(np.mean(bends**2) / 6))  # 1, -2, 1 squared sum to 6
        u95 = math.hypot(self.clock * mean, 1.96 * noise / math.sqrt(hz.size))
        return SpeedResult(self.method, mean, u95, 60 * float(hz.min()), 60 * float(hz.max()))

    @property
    def braked(self) -> bool:
        """Most flicks slow down as a motor with joined windings does."""
        return 2 * sum(fit.braked for fit in self.fits) > len(self.fits)

    @property
    def has_propeller(self) -> bool:
        """Air slows most flicks."""
        return not self.braked and 2 * sum(fit.has_propeller for fit in self.fits) > len(self.fits)

    @property
    def free(self) -> tuple[CoastDown, ...]:
        """Coast-downs that friction alone ends: none with a brake or a propeller on."""
        return () if self.braked or self.has_propeller else tuple(fit for fit in self.fits if not fit.braked)

    @property
    def track(self) -> SpeedTrack:
        """Speed while the rotor coasts; 0 before, between and after."""
        time, hz = [], []
        for spin in self.spins:
            time += [spin.time_s[0] - 1e-6, *spin.time_s, spin.time_s[-1] + 1e-6]
            hz += [0.0, *spin.hz, 0.0]
        return SpeedTrack(np.array(time), np.array(hz), self.method, self.clock * float(np.mean(hz)))

    @property
    def apart_s(self) -> RANGES:
        """Stretches in which the rotor stands or a finger touches it."""
        ends = [0.0, *(t for spin in self.spins for t in (float(spin.time_s[0]), float(spin.time_s[-1]))), LATER_S]
        return tuple(zip(ends[::2], ends[1::2], strict=True))

    @property
    def times(self) -> list[tuple[float, float]]:
        """Coast time of each flick that says it, s, and the half width of its 95 % interval."""
        return [found for fit in self.free if (found := fit.between(FROM_RPM / 60, TO_RPM / 60)) is not None]


def listen(recording: Recording, settings: Settings, part: slice) -> HandSpin | None:
    """Find and fit the coast-downs of a recording, from a tacho channel where there is one; None when there are none."""
    rate = recording.rate_hz
    clock = recording.clock(settings.clock)
    spins: tuple[Spin, ...] = ()
    for row in recording.rows("tacho"):
        spins = spins or spins_of_pulses(edges(recording.samples[row, part], rate))
    method: SpeedMethod = "tacho" if spins else "estimated"
    if not spins:
        spins = find_spins([Transform.of(recording.samples[row, part], rate) for row in recording.rows("vibration")], settings)
    if not spins:
        return None
    return HandSpin(spins, tuple(fit for spin in spins if (fit := fit_coast_down(spin.time_s, spin.hz)) is not None), method, clock)


def check_spin(spin: HandSpin | None, recording: Recording, settings: Settings) -> list[Problem]:
    """What keeps a spin by hand from saying how the motor coasts."""
    if spin is None:
        if recording.rows("tacho"):
            return []
        if not (settings.poles and settings.slots):
            detail = "How the motor coasts is heard by its cogging: count magnets and teeth, and say them with --poles and --slots."
            return [Problem("no-coast-down", "warning", detail)]
        if not is_fast_enough(recording.rate_hz, settings):
            detail = (
                f"At {recording.rate_hz:.0f} samples a second the cogging of a motor spun by hand is not heard, so how it coasts is not "
                "known. Use a microphone or a faster sensor."
            )
            return [Problem("no-coast-down", "warning", detail)]
        detail = (
            "No coast-down is heard. Hold the sensor nearer and flick harder; check magnets and teeth. A motor that stops at once, as if "
            "held, is braked by its controller: pull the battery, unplug the motor from the controller, and flick it again."
        )
        return [Problem("no-coast-down", "warning", detail)]
    if spin.braked:
        detail = (
            "The motor slows down by a share of its speed each moment, as one does whose windings are joined: the controller brakes, and "
            "drag cannot be told. Battery out, unplug the motor from its controller, and flick it again."
        )
        return [Problem("braking", "warning", detail)]
    if spin.has_propeller:
        detail = "Air slows this rotor: a propeller is on. Take it off, battery out, and flick again; friction cannot be told beside it."
        return [Problem("propeller-on", "warning", detail)]
    if not spin.times:
        detail = (
            f"The coast-downs are too short or too faint to tell how long {FROM_RPM:.0f} to {TO_RPM:.0f} rpm take. Flick harder, hold the "
            "sensor nearer; if the motor stops at once, unplug it from its controller, which may brake."
        )
        return [Problem("no-coast-time", "warning", detail)]
    return []


def spin_quantities(spin: HandSpin, transforms: tuple[Transform, ...]) -> tuple[Quantity, ...]:
    """Coast time, drag and roughness over all flicks, each with its interval; what is not known well enough is left out.

    coast time: s from 500 to 150 rpm; drag: over that of a motor that takes one second for it, dB; dry drag: slowing, rpm/s, that is
    alike at every speed, friction of bearings and hysteresis of the iron together; viscous drag: 1/s; clicks: a turn; click spacing:
    standard deviation over mean
    """
    found = []
    if spin.times:
        seconds, u95 = pooled(spin.times)
        u95 = math.hypot(u95, spin.clock * seconds)
        in_db = 20 * math.log10(1 + u95 / seconds)
        found += [Quantity("coast time", seconds, u95, "s"), Quantity(DRAG, -20 * math.log10(seconds), in_db, "dB")]
    parts = (("dry drag", 0, 60.0, "rpm/s"), ("viscous drag", 1, 1.0, "1/s"), ("air drag", 2, 1 / 60, "1/s/rpm"))
    for name, index, scale, unit in parts:  # their units hold seconds to the -2, -1 and 0
        known = [(scale * value, scale * u95) for fit in spin.free if (pair := fit.known(index)) for value, u95 in [pair]]
        if known and 2 * len(known) > len(spin.free):
            value, u95 = pooled(known)
            u95 = math.hypot(u95, (2 - index) * spin.clock * value)
            if u95 < 0.3 * value:
                found.append(Quantity(name, value, u95, unit))
    counted = [clicks for transform in transforms if (clicks := find_clicks(transform, spin.spins)) is not None]
    if counted:
        most = max(counted, key=lambda clicks: clicks.count)
        found.append(Quantity("clicks", *most.rate, "1/turn"))
        if (spread := most.unevenness) is not None:
            found.append(Quantity("click spacing", *spread, "1"))
    return tuple(found)


def pooled(values: list[tuple[float, float]]) -> tuple[float, float]:
    """Geometric mean of repeated positive values and the half width of its 95 % interval.

    values: (value, u95) of each flick. The scatter is learned from them, from FLICK_SCATTER as a prior worth WORTH flicks (conjugate
    prior of a normal variance: Gelman et al., Bayesian Data Analysis (2013), section 2.6), never below their own intervals.
    """
    logs = np.log([value for value, _ in values])
    own = float(np.mean([(u95 / value / 1.96) ** 2 for value, u95 in values]))
    freedom = WORTH + len(values) - 1
    variance = max((WORTH * FLICK_SCATTER**2 + float(((logs - logs.mean()) ** 2).sum())) / freedom, own)
    mean = math.exp(float(logs.mean()))
    return mean, mean * float(stdtrit(freedom, 0.975)) * math.sqrt(variance / len(values))


def spin_curves(spin: HandSpin) -> tuple[Curve, ...]:
    """Speed against time of each coast-down, and the coast time of each flick for `vibekit.spin_comparison`."""
    curves = []
    for number, fit in enumerate(spin.free, 1):
        by = -(-fit.hz.size // POINTS)
        step = float(np.median(np.diff(fit.time_s)))
        curves.append(Curve(f"{COAST} {number}", (fit.time_s - fit.time_s[0])[::by], 60 * fit.hz[::by], "s", "rpm", step))
    if spin.times:
        seconds, u95 = (np.array(column) for column in zip(*spin.times, strict=True))
        curves.append(Curve(FLICKS, np.arange(1.0, seconds.size + 1), seconds, "flick", "s", float(np.median(u95))))
    return tuple(curves)
