"""Readings and diagnoses of an invented craft, made by hand: Wren-4 of the Lerchenfeld Rotor Bench in Amsel."""

import math
from dataclasses import replace

import numpy as np

from vibekit.bearing import Bearing
from vibekit.finding import Conclusion, Diagnosis, Evidence, Finding
from vibekit.reading import Curve, LinePower, OrderLine, Quantity, Reading, SpeedResult
from vibekit.screening import Problem, Screening
from vibekit.settings import Settings

POSITIONS = ("north-east", "south-east", "south-west", "north-west")
BEARING = Bearing(balls=7, ball_mm=1.2, pitch_mm=5.0)  # an invented bearing
STEP = 0.02
HUM = Problem("hum", "note", "A mains line at 50 Hz is present. Keep the cable away from the supply.")
NAMES = {0.5: "half order", 1.0: "1x", 2.0: "blade pass", 3.0: "3x", 4.0: "2 x blade pass", 7.0: "electrical", 14.0: "2 x electrical"}
WELL = {0.5: 2.5e-4, 1.0: 0.010, 2.0: 0.042, 3.0: 0.0021, 4.0: 0.012, 7.0: 0.006, 14.0: 0.0015}


def order_curve(tones: dict[float, float], *, noise: float = 2e-4, seed: int = 0, unit: str = "g", last: float = 30.0) -> Curve:
    """Rayleigh noise with a tone, one line wide, at each order."""
    x = np.arange(0.0, last, STEP)
    y = np.random.default_rng(seed).rayleigh(noise, x.size)
    for order, amplitude in tones.items():
        y[round(order / STEP)] = amplitude
    return Curve("order", x, y, "order", unit, STEP * 1.5)


def reading(position: str, tones: dict[float, float], *, noise: float = 2e-4, seed: int = 0, test: str = "prop") -> Reading:
    """One reading as the engine would give it; noise above 5e-4 clicks."""
    rough = noise > 5e-4
    scatter = np.random.default_rng(seed + 100).normal(1.0, 0.06, len(tones))
    tones = {order: amplitude * float(k) for (order, amplitude), k in zip(tones.items(), scatter, strict=True)}
    curve = order_curve(tones, noise=noise, seed=seed)
    envelope = np.random.default_rng(seed + 50).exponential(1.0, 1000)
    lines = tuple(OrderLine(order, NAMES[order], amplitude, 0.04 * amplitude + noise / 3, "g", noise) for order, amplitude in tones.items())
    return Reading(
        file=f"wren4-{position}-{test}.wav",
        sha256=f"{seed:02x}" * 32,
        rate_hz=26_667.0,
        duration_s=20.0,
        channels=(("vibration", "g"), ("tacho", "pulse")),
        settings=Settings(test=test, blades=2, poles=14, slots=12, bearings=(BEARING,), sensor="accelerometer"),
        screening=Screening((HUM,) if seed == 1 else ()),
        speed=SpeedResult("tacho", 8123.0 + 40 * seed, 2.4, 8090.0 + 40 * seed, 8160.0 + 40 * seed),
        orders=lines,
        quantities=(
            *(Quantity(line.name, 20 * math.log10(line.amplitude), 8.7 * line.u95 / line.amplitude, "dB") for line in lines[:5]),
            *(Quantity(f"octave {hz} Hz", 20 * math.log10(noise) + 0.3 * seed - hz / 1e3, 0.6, "dB") for hz in (1000, 2000, 4000, 8000)),
            Quantity("impulsiveness", 6.2 if rough else 0.3 + 0.1 * seed, 0.4, "dB"),
            Quantity("outer race", 1.3, 0.0, "-log10 p"),
        ),
        curves=(
            curve,
            replace(curve, kind="order floor", y=np.full(curve.x.size, noise)),
            Curve("envelope", np.arange(1000) * 0.03, 10 * np.log10(np.maximum(envelope, 1e-3)), "order", "dB over noise", 0.045),
        ),
        engine="0.1.0",
        log=("order tracked to the tacho",),
        powers=tuple(LinePower(o, a**2 / 2, (noise / 3) * a, noise**2 / 2, "g") for o, a in sorted(tones.items())),
    )


def readings(test: str = "prop") -> dict[str, Reading]:
    """One reading a motor: a gritty bearing, a nicked propeller, a loose mount, and one that is well."""
    return {
        "north-east": reading("north-east", WELL | {1.0: 0.012}, noise=9e-4, seed=1, test=test),
        "south-east": reading("south-east", WELL | {1.0: 0.051, 3.0: 0.019}, seed=2, test=test),
        "south-west": reading("south-west", WELL | {0.5: 0.011, 1.0: 0.024, 3.0: 0.016}, seed=3, test=test),
        "north-west": reading("north-west", WELL, seed=4, test=test),
    }


def _diagnosis(*findings: Finding, reason: str) -> Diagnosis:
    f = findings[0]
    return Diagnosis(findings, Conclusion(f.condition, f.probability, f.position, f.part, f.action, reason, f.next_step))


def diagnoses() -> dict[str, Diagnosis]:
    """What the readings above say."""
    grit = Finding(
        "bearing-grit",
        0.93,
        (
            Evidence("broadband level at 8 kHz stands 13 dB above the middle of the other motors", True, 1.4),
            Evidence("clicks come irregularly: impulsiveness 6.2 dB against 0.6 dB in the others", True, 0.8),
            Evidence("no line at a defect order of the stated bearing stands out of the envelope spectrum", True, 0.3),
            Evidence("the hand-spin was not recorded, so the coast-down is not known", False, -0.1),
        ),
        "north-east",
        "motor bearing",
        "clean",
        "Clean the bearings, then record the same run again.",
    )
    outer = replace(grit, condition="bearing-outer", probability=0.05, evidence=grit.evidence[:1])
    nick = Finding(
        "blade-damage",
        0.81,
        (Evidence("3x stands 19 dB above the middle of the other motors, and 3 is no multiple of the blade count", True, 1.1),),
        "south-east",
        "propeller",
        "replace propeller",
        "Fit a new propeller and record the same run again.",
    )
    uneven = replace(nick, condition="prop-imbalance", probability=0.17, evidence=(Evidence("1x is 5 times its baseline", True, 0.6),))
    loose = Finding(
        "loose-mount",
        0.88,
        (
            Evidence("the half order stands 34 dB out of the noise", True, 1.2),
            Evidence("1x wanders by 30 % from turn to turn", True, 0.5),
        ),
        "south-west",
        "motor mount",
        "tighten",
        "Check the four motor screws, then record the same run again.",
    )
    within = Evidence("all lines lie within the band of the other motors", True, 0.9)
    sound = Finding("healthy", 0.95, (within,), "north-west", "none", "none", "Run it bare as well.")
    return {
        "north-east": _diagnosis(grit, outer, reason="Roughness without a steady defect line."),
        "south-east": _diagnosis(nick, uneven, reason="The blades are no longer alike."),
        "south-west": _diagnosis(loose, reason="Half orders and an unsteady 1x."),
        "north-west": _diagnosis(sound, reason="Nothing beyond repeatability."),
    }
