"""Cases on the rig: one rotor of a drawn craft, healthy and then with a fault, measured through the same chain as a user's recording."""

from collections.abc import Sequence
from dataclasses import dataclass

from vibekit.analysis import analyze
from vibekit.reading import Reading
from vibekit.recording import Sensor
from vibekit.rig import CONDITIONS, Fault, RigCraft, draw_craft, record
from vibekit.rig.population import USUAL, Population
from vibekit.settings import Settings, Test

Plan = dict[Test, tuple[int, int]]  # recordings of the baseline, and later, under each test
BENCH: Plan = {"bare": (4, 3), "prop": (5, 3), "run-up": (2, 1)}
EVERY: Plan = {**BENCH, "flight": (2, 1)}
SEVERITIES = (2, 4, 8, 20)
SENSORS: tuple[Sensor, ...] = ("contact", "microphone", "accelerometer")
RUN_UP_S = 5.0


@dataclass(frozen=True, slots=True)
class RigCase:
    """Readings of one rotor of one craft: `baseline` healthy, `now` with the fault, both under each test."""

    fault: Fault | None
    baseline: tuple[Reading, ...]
    now: tuple[Reading, ...]


def rig_settings(craft: RigCraft, test: Test, sensor: Sensor, *, known: bool) -> Settings:
    """What a user states: the speed (within 1 %, from the bench; a run-up has a tacho), blades, poles and bearing only when `known`."""
    rpm = None if test == "run-up" else 60 * craft.test_hz
    if not known:
        return Settings(test=test, speed_rpm=rpm, sensor=sensor)
    return Settings(test, rpm, craft.blades, craft.poles, craft.slots, (craft.bearing,), sensor)


def rig_reading(
    craft: RigCraft, test: Test, sensor: Sensor, take: int, fault: Fault | None = None, *, rotor: int = 0, known: bool = True
) -> Reading:
    """Record one take on the rig and analyse it."""
    changing = test == "run-up"
    duration_s = RUN_UP_S if changing else None
    recording, _ = record(craft, rotor=rotor, test=test, fault=fault, take=take, sensor=sensor, tacho=changing, duration_s=duration_s)
    return analyze(recording, rig_settings(craft, test, sensor, known=known))


def craft_cases(
    seed: int, faults: Sequence[Fault], healthy: int, plan: Plan = BENCH, *, known: bool, population: Population = USUAL
) -> list[RigCase]:
    """Cases on one craft: `healthy` without a fault, then one for each of `faults`; all against the same baseline.

    A third of the craft are heard by each kind of sensor. known: blades, magnets and bearing are stated.
    """
    craft, sensor = draw_craft(seed, population), SENSORS[seed % 3]
    take = iter(range(10000))

    def takes(test: Test, count: int, fault: Fault | None = None) -> list[Reading]:
        return [rig_reading(craft, test, sensor, next(take), fault, known=known) for _ in range(count)]

    def later(fault: Fault | None) -> RigCase:
        return RigCase(fault, baseline, tuple(r for test, (_, count) in plan.items() for r in takes(test, count, fault)))

    baseline = tuple(r for test, (before, _) in plan.items() for r in takes(test, before))
    return [later(fault) for fault in (*[None] * healthy, *faults)]


def every_fault() -> list[Fault]:
    """Each condition at each severity."""
    return [Fault(condition, severity) for condition in CONDITIONS if condition != "healthy" for severity in SEVERITIES]
