"""Lives of motors at the level of quantities: sitting after sitting, healthy or with a fault that grows until the motor fails."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.line_groups import compared_orders
from vibekit.normal import Z95
from vibekit.problem import Screening
from vibekit.reading import LinePower, Quantity, Reading, SpeedResult
from vibekit.recording import Sensor
from vibekit.repeatability import load_repeatability
from vibekit.rig.casing_quantity import HighBand
from vibekit.rig.craft import RigCraft, stream
from vibekit.rig.fault import CONDITIONS, Condition, Fault
from vibekit.rig.forces import healthy_lines, unbalance
from vibekit.rig.line_quantity import SPEED, LineQuantity
from vibekit.rig.population import draw_craft
from vibekit.rig.quantity import HIGH_BAND, sizing_test
from vibekit.rig.scatter import REFIT_MM
from vibekit.rig.severity import ENVELOPE, HIGH_FREQUENCY, fault_size
from vibekit.settings import Settings, Test

Array = npt.NDArray[np.float64]
FAILURE = 20.0  # severity at which a part has failed: the largest that the tables are made for
GROWS: tuple[Condition, ...] = tuple(c for c in CONDITIONS if c not in ("healthy", "bent-shaft"))  # a shaft is bent at once
SENSORS: tuple[Sensor, ...] = ("contact", "microphone", "accelerometer")
AT = (0.0, 0.5, 2.0, 8.0, FAILURE)  # severities at which a fault's size is worked out; between them it is interpolated
WASH, ROUGH = (250, 500, 1000), (2000, 4000, 8000)  # octaves, Hz
OCTAVE_DB = 0.1  # standard deviation of an octave's level over a take (common practice, no source)
PULSES = {"bearing-outer": "outer race", "bearing-inner": "inner race", "bearing-ball": "ball", "bearing-cage": "cage"}
TRACES = ("unsteadiness", "once a turn")  # levels that a take scatters in by itself; no fault of a life moves them
TAIL = 16.0  # shape of the gamma law by which they scatter: a skewness of 0.5
# score of a bearing's pulses a repeatability limit; whole recordings of 6 craft gave 0.3 to 4, and 0.4 to 2.5 for a cage
SCORE, SCORE_SPREAD = 1.2, 0.7


@dataclass(frozen=True, slots=True)
class Life:
    """Readings of one rotor under one test, one a sitting. severities: (n,) of the fault at each, 0 before its onset."""

    condition: Condition
    readings: tuple[Reading, ...]
    severities: Array

    @property
    def onset(self) -> int:
        """Index of the first reading with the fault, n in a healthy life."""
        return int(np.argmax(self.severities > 0)) if self.severities.any() else len(self.readings)


def draw_life(seed: int, condition: Condition, *, sound: tuple[int, int] = (5, 40), ill: tuple[int, int] = (5, 20)) -> Life:
    """Draw a life: `sound` sittings before the onset, then `ill` ones until FAILURE, at which nothing is measured any more.

    Severity grows as a power from 1 to 3 of the time since the onset. What a take does by itself is the rig's: refit, gain, speed,
    noise of lines and bands from the craft's description (see `vibekit.rig.scatter`), wander of the rest from its table of
    repeatability, each motor with a spread of its own and a tail to the right. Scores of pulses are modelled, see SCORE.
    """
    craft, sensor = draw_craft(seed), SENSORS[seed % len(SENSORS)]
    rng = stream(craft, "life", condition)
    test: Test = ("bare", "prop")[rng.integers(2)] if condition == "healthy" else sizing_test(condition)
    before, after = (int(rng.integers(low, high + 1)) for low, high in (sound, ill))
    grown = (np.arange(1, after + 1) / (after + 1)) ** rng.uniform(1, 3)
    severities = np.append(np.zeros(before), FAILURE * grown) if condition != "healthy" else np.zeros(before + after)
    return Life(condition, tuple(draw_readings(craft, 0, test, sensor, condition, severities, rng)), severities)


def draw_readings(craft: RigCraft, rotor: int, test: Test, sensor: Sensor, condition: Condition, severities: Array,
                  rng: np.random.Generator) -> list[Reading]:  # fmt: skip
    """Draw a reading of one rotor for each severity: powers of lines, octaves, wander and scores, but no curves."""
    settings = Settings(test, 60 * craft.test_hz, craft.blades, craft.poles, craft.slots, (craft.bearing,), sensor)
    gain_db = craft.gain_scatter_db * rng.standard_normal(severities.size)
    lines, speed = _lines(craft, rotor, sensor, settings, condition, severities, gain_db, rng)
    levels = _levels(craft, rotor, sensor, test, condition, severities, gain_db, rng)
    return [
        Reading(
            file=f"{craft.seed}-{rotor}-{k}.wav",
            sha256=f"{craft.seed:032x}{rotor:016x}{k:016x}",
            rate_hz=44100.0,
            duration_s=10.0,
            channels=(("vibration", "FS"),),
            settings=settings,
            screening=Screening(),
            speed=SpeedResult("typed", float(60 * craft.test_hz * speed[k]), 1.0),
            orders=(),
            quantities=tuple(Quantity(name, float(values[k]), Z95 * u, unit) for name, (values, u, unit) in levels.items()),
            curves=(),
            engine="rig",
            powers=lines[k],
        )
        for k in range(severities.size)
    ]


def _lines(craft: RigCraft, rotor: int, sensor: Sensor, settings: Settings, condition: Condition, severities: Array, gain_db: Array,
           rng: np.random.Generator) -> tuple[list[tuple[LinePower, ...]], Array]:  # fmt: skip
    """Powers of the compared lines at each sitting, and its speed as a share of the test speed."""
    count, test = severities.size, settings.test or "prop"
    orders = [o for o in compared_orders(settings) if o * craft.test_hz < HIGH_BAND[1]]
    lines = LineQuantity(craft, rotor, test, sensor, tuple(round(2 * o) for o in orders))
    at = rng.integers(len(SPEED), size=count)
    heard = lines.heard(healthy_lines(craft, rotor, test))[at]
    if test == "prop":
        seat = REFIT_MM * craft.prop_g / np.sqrt(2) * (rng.standard_normal(count) + 1j * rng.standard_normal(count))
        heard = heard + seat[:, None] * lines.heard(unbalance(craft, 1.0))[at]
    if condition in GROWS and condition not in (*HIGH_FREQUENCY, *ENVELOPE):
        sizes = np.interp(severities, AT, [fault_size(craft, Fault(condition, s, rotor), sensor) for s in AT])
        heard = heard + sizes[:, None] * lines.pattern(condition)[at]
    noise = lines.noise()
    heard = heard + np.sqrt(noise) * (rng.standard_normal(heard.shape) + 1j * rng.standard_normal(heard.shape))
    gain = 10 ** (gain_db / 10)
    power = (np.abs(heard) ** 2 / 2 - noise) * gain[:, None]
    under = noise * gain[:, None]
    error = np.sqrt(2 * np.maximum(power, 0) * under + under**2)
    rows = [
        tuple(LinePower(o, float(p), float(e), float(n), "FS") for o, p, e, n in zip(orders, *row, strict=True))
        for row in zip(power, error, under, strict=True)
    ]
    return rows, SPEED[at]


def _levels(craft: RigCraft, rotor: int, sensor: Sensor, test: Test, condition: Condition, severities: Array, gain_db: Array,
            rng: np.random.Generator) -> dict[str, tuple[Array, float, str]]:  # fmt: skip
    """Octaves, wander, clicks and scores: {name: (values, standard deviation that is stated, unit)}."""
    count = severities.size
    found: dict[str, tuple[Array, float, str]] = {}
    rough = 20 * np.log10(craft.motors[rotor].bearing_noise / craft.motors[0].bearing_noise)
    for octaves, shift in ((WASH, np.zeros(count)), (ROUGH, rough + _rise_db(craft, rotor, sensor, condition, severities))):
        level = shift + gain_db + craft.level_scatter_db * rng.standard_normal(count)
        found |= {f"octave {hz} Hz": (level + OCTAVE_DB * rng.standard_normal(count), OCTAVE_DB, "dB") for hz in octaves}
    table = load_repeatability()
    for name in TRACES:
        spread = table.of(name, test, sensor)
        own = spread.deviation * np.sqrt(spread.worth / rng.chisquare(spread.worth))
        found[name] = (own * (rng.gamma(TAIL, size=count) - TAIL) / np.sqrt(TAIL), spread.deviation, "dB")
    for kind, name in PULSES.items():
        pace = SCORE * rng.lognormal(0, SCORE_SPREAD) if kind == condition else 0.0
        found[name] = (np.maximum(pace * severities + rng.normal(-1, 0.5, count), 0.0), 0.0, "log10 of likelihood ratio")
    return found


def _rise_db(craft: RigCraft, rotor: int, sensor: Sensor, condition: Condition, severities: Array) -> Array:
    if condition not in HIGH_FREQUENCY:
        return np.zeros(severities.size)
    usual = HighBand(craft, rotor, sensor).normal()
    return 20 * np.log10(1 + severities * usual.limit / usual.mean)
