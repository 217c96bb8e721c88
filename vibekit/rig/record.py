"""One recording of an invented craft, with everything that is true about it."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from vibekit.errors import UsageError, check_choice
from vibekit.recording import SENSORS, Recording, Sensor
from vibekit.rig.clicks import defect
from vibekit.rig.converter import PHONE_OVERSAMPLING, PHONE_RATE_HZ, convert
from vibekit.rig.craft import ROTORS, RigCraft, stream
from vibekit.rig.disturbance import Disturbance
from vibekit.rig.fault import Fault
from vibekit.rig.hand_spin import Flick, Spins, draw_spins
from vibekit.rig.motion import Motion, run_up, steady
from vibekit.rig.path import path
from vibekit.rig.render import LOOSE, SetUp, one_rotor
from vibekit.rig.scatter import Scatter, draw_scatter
from vibekit.settings import TESTS, Test

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

DURATION_S: dict[Test, float] = {"bare": 2.5, "prop": 2.5, "run-up": 8.0, "flight": 5.0}
LEAD_S = 0.5  # made before the recording begins and thrown away: the frame has settled by then
APART_HZ = (0.3, 2.5)  # from one rotor to the next when all turn
LEAK = 0.8  # in flight, of the rotors the sensor does not sit at (common practice, no source)
RUN_UP = (0.4, 1.3)  # from and to, share of the test speed


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true about a simulated recording.

    rotors: which rotors turned, the one under test first
    turns, speed_hz: (rotors, n) turns since an arbitrary start and speed of each, at the recording's samples
    amplitude: order -> peak amplitude at the mean speed in the recording's unit, without noise (root-sum-square over axes), of the
        rotor under test; orders 0.5 to 12 in halves, without a loose part's unsteady share and before any disturbance
    fault: what is wrong on the rotor under test, None when nothing is
    size: how large the physical thing is, see `vibekit.rig.severity.fault_size`
    strike_order: order at which a bearing fault strikes (of a worn cage: the cage's), None for other conditions
    flicks: hand-spin: what is true of each flick, however long the recording; empty in other tests
    """

    rotors: tuple[int, ...]
    turns: Array
    speed_hz: Array
    amplitude: dict[float, float]
    fault: Fault | None
    size: float
    strike_order: float | None
    flicks: tuple[Flick, ...]

    @property
    def mean_rpm(self) -> float:
        """Mean speed of the rotor under test."""
        return 60 * float(self.speed_hz[0].mean())


def record(
    craft: RigCraft,
    *,
    rotor: int = 0,
    test: Test = "prop",
    fault: Fault | None = None,
    take: int = 0,
    refit: int | None = None,
    sensor: Sensor = "contact",
    axes: int = 1,
    rate_hz: float = 24000.0,
    duration_s: float | None = None,
    speed_rpm: float | None = None,
    tacho: bool = False,
    flicks: int = 1,
    disturbance: Disturbance | None = None,
    added_gmm: complex = 0,
    faster: float = 1.0,
) -> tuple[Recording, Truth]:
    """One take of one test; the same arguments give the same samples.

    rotor: which rotor is under test, 0 to 3; in a flight all four turn
    fault: sized by its severity for this sensor; it shows only where its rotor turns and its test can show it
    take, refit: what differs between takes; the propeller is fitted again for each take unless `refit` says otherwise
    axes: 1, or 3 for an accelerometer (the phone's motion sensor always has 3)
    rate_hz: samples a second, 2 000 and more; the phone's motion sensor has its own 99.3
    duration_s: 2.5 (bare, prop), 8 (run-up), 5 (flight), until the rotor stands (hand-spin) when left out
    speed_rpm: mean speed wanted, the craft's test speed when left out; each take hits it within 1 %
    tacho: add a channel with one pulse a turn
    flicks: hand-spin: how often the finger flicks the rotor, each time when it stands
    added_gmm: weights put on the rotor under test, mass times radius at their angle in the direction of rotation from the tacho's mark
    faster: factor on the speed of the rotor under test beside the others', as of a blade that lost lift

    Raises UsageError for a rotor, test, take, refit, sensor, number of axes or flicks, rate, duration or speed that is not allowed.
    """
    _check(rotor, test, sensor, axes, rate_hz, duration_s, speed_rpm)
    for name, number in (("take", take), ("refit", refit or 0)):
        if number < 0:
            raise UsageError(f"{name} is {number}; it must be 0 or above")
    if not 1 <= flicks <= 20:
        raise UsageError(f"flicks is {flicks}; it must be from 1 to 20")
    disturbance = disturbance or Disturbance()
    spins = draw_spins(craft, rotor, take, flicks, _on(rotor, fault)) if test == "hand-spin" else None
    if sensor == "phone-motion":
        axes, rate_hz = 3, PHONE_OVERSAMPLING * PHONE_RATE_HZ
    n = round((duration_s or (spins.end_s if spins else DURATION_S[test])) * rate_hz)
    total = fft.next_fast_len(n + math.ceil(LEAD_S * rate_hz), real=True)
    setup = SetUp(craft, test, sensor, axes, rate_hz, total, total - n, take if refit is None else refit, rotor, added_gmm)
    scatter = draw_scatter(craft, rotor, test, take, setup.refit)
    rng = stream(craft, "record", rotor, test, take, sensor)
    wanted_hz = scatter.speed * (craft.test_hz if speed_rpm is None else speed_rpm / 60)

    alone = test != "flight" and not disturbance.neighbours
    rotors = (rotor,) if alone else (rotor, *(other for other in range(ROTORS) if other != rotor))
    leak = LEAK if test == "flight" else disturbance.neighbours
    spectrum = _own_noise(setup, rng)
    motions = []
    apart = np.cumsum(stream(craft, "apart").uniform(*APART_HZ, ROTORS))
    for each in rotors:
        hurt = _on(each, fault)
        own_hz = (faster if each == rotor else 1.0) * (wanted_hz + float(apart[each] - apart[rotor]))
        motion = _turn(setup, spins if each == rotor else None, scatter, own_hz, rng)
        spectrum += (1.0 if each == rotor else leak) * one_rotor(setup, each, hurt, scatter, motion, rng)
        motions.append(Motion(motion.turns[setup.lead :], motion.speed_hz[setup.lead :]))
    samples = fft.irfft(spectrum, total)[:, setup.lead :] * (setup.gain * scatter.gain)

    recording, kept = convert(samples, sensor, rate_hz, motions[0].turns if tacho else None, disturbance, rng)
    hurt = _on(rotor, fault) if fault is not None and fault.condition != "healthy" else None
    truth = Truth(
        rotors=rotors,
        turns=np.stack([motion.turns[kept] for motion in motions]),
        speed_hz=np.stack([motion.speed_hz[kept] for motion in motions]),
        amplitude=_amplitudes(setup, rotor, hurt, scatter, float(motions[0].speed_hz.mean())),
        fault=hurt,
        size=setup.fault_lines(hurt)[1],
        strike_order=_strike_order(craft, hurt),
        flicks=spins.flicks if spins else (),
    )
    return recording, truth


def _check(rotor: int, test: str, sensor: str, axes: int, rate_hz: float, duration_s: float | None, speed_rpm: float | None) -> None:
    check_choice("test", test, TESTS)
    check_choice("sensor", sensor, SENSORS)
    if not 0 <= rotor < ROTORS:
        raise UsageError(f"rotor is {rotor}; it must be from 0 to {ROTORS - 1}")
    if axes not in (1, 3) or (axes == 3 and sensor in ("microphone", "contact")):
        raise UsageError(f"{sensor} with {axes} axes; an accelerometer has 1 or 3, a microphone and a contact pick-up have 1")
    if not rate_hz >= 2000:
        raise UsageError(f"rate is {rate_hz:g} Hz; it must be 2000 or above")
    if duration_s is not None and not 0.1 <= duration_s <= 600:
        raise UsageError(f"duration is {duration_s:g} s; it must be from 0.1 to 600")
    if speed_rpm is not None and not 60 <= speed_rpm <= 60000:
        raise UsageError(f"speed is {speed_rpm:g} rpm; it must be from 60 to 60 000")


def _own_noise(setup: SetUp, rng: np.random.Generator) -> Complex:
    """(axes, total // 2 + 1) transform of the sensor's and the room's own noise."""
    noise = setup.quiet * setup.path(0).noise
    real = rng.standard_normal((2, *noise.shape))
    out: Complex = (real[0] + 1j * real[1]) * (noise * math.sqrt(setup.total * setup.rate_hz) / 2)
    return out


def _on(rotor: int, fault: Fault | None) -> Fault | None:
    """The fault if it is on this rotor."""
    return fault if fault is not None and fault.rotor == rotor else None


def _turn(setup: SetUp, spins: Spins | None, scatter: Scatter, wanted_hz: float, rng: np.random.Generator) -> Motion:
    """How a rotor turns: flicked by hand, run up, or steadily."""
    if spins:
        return spins.motion(rng, setup.total, setup.lead, setup.rate_hz)
    if setup.test == "run-up":
        first, last = RUN_UP[0] * wanted_hz, RUN_UP[1] * wanted_hz
        return run_up(rng, first, last, scatter.wander, setup.total, setup.lead, setup.rate_hz)
    return steady(rng, wanted_hz, scatter.wander, setup.total, setup.rate_hz)


def _amplitudes(setup: SetUp, rotor: int, fault: Fault | None, scatter: Scatter, speed_hz: float) -> dict[float, float]:
    lines = setup.lines(rotor, scatter)
    hurt, _ = setup.fault_lines(fault)
    if hurt is not None and fault is not None and fault.condition not in LOOSE:
        lines += hurt
    half = np.arange(1, 25)
    way = path(setup.craft, rotor, setup.sensor, setup.axes, half * speed_hz / 2, setup.extra_mode(fault))
    heard = setup.gain * scatter.gain * np.linalg.norm(lines.heard(way, half, speed_hz / setup.craft.test_hz), axis=0)
    return dict(zip((half / 2).tolist(), heard.tolist(), strict=True))


def _strike_order(craft: RigCraft, fault: Fault | None) -> float | None:
    if fault is None:
        return None
    if fault.condition == "bearing-cage":
        return craft.bearing.cage
    kind = defect(craft, fault.rotor, fault.condition)
    return None if kind is None or kind.at_random else kind.order
