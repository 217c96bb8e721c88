"""Make the tables that verdicts rest on, from craft drawn on the rig: `python -m vibekit.calibration [CRAFT]`.

likelihoods.csv: how often each condition, at each severity, gives each step of each clue. repeatability.csv: what repeating a
measurement and taking another good motor do to each quantity. Each craft is measured healthy (the baseline), then with every condition
at severities of 2, 4 and 8 repeatability limits, bare and with its propeller, through the same chain as a user's recording.
"""

import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from vibekit.analysis import analyze
from vibekit.catalogue import load_catalogue
from vibekit.change import CHANGES, parts_of
from vibekit.observation import STEPS, UNCHANGED, observe
from vibekit.reading import Reading
from vibekit.recording import Sensor
from vibekit.repeatability import Repeatability, load_repeatability
from vibekit.rig import CONDITIONS, Fault, RigCraft, draw_craft, record
from vibekit.rig.fault import ON_THE_PROPELLER
from vibekit.settings import Settings, Test

Plan = dict[Test, tuple[int, int]]  # recordings of the baseline, and later, under each test
BENCH: Plan = {"bare": (3, 2), "prop": (3, 2), "run-up": (2, 1)}
EVERY: Plan = {**BENCH, "flight": (2, 1)}
Array = npt.NDArray[np.float64]
SEVERITIES = (2, 4, 8, 20)
HEALTHY = 3
SENSORS: tuple[Sensor, ...] = ("contact", "microphone", "accelerometer")
PRIOR_CASES = 3.0  # what the shares of all severities of a condition count for in each
RUN_UP_S = 5.0
FIRST_SEED = 1_000_000  # tests draw their craft from other seeds


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


def craft_cases(seed: int, faults: Sequence[Fault], healthy: int, plan: Plan = BENCH) -> list[RigCase]:
    """Cases on one craft: `healthy` without a fault, then one for each of `faults`; all against the same baseline.

    A third of the craft are heard by each kind of sensor, and half of them by somebody who knows blades, magnets and bearing.
    """
    craft, sensor, known = draw_craft(seed), SENSORS[seed % 3], seed % 2 == 0
    take = iter(range(10000))

    def takes(test: Test, count: int, fault: Fault | None = None) -> list[Reading]:
        return [rig_reading(craft, test, sensor, next(take), fault, known=known) for _ in range(count)]

    baseline = tuple(r for test, (before, _) in plan.items() for r in takes(test, before))
    cases = [RigCase(None, baseline, tuple(r for test, (_, later) in plan.items() for r in takes(test, later))) for _ in range(healthy)]
    untouched = takes("bare", plan["bare"][1])
    for fault in faults:
        now = [
            r
            for test, (_, later) in plan.items()
            for r in (untouched if test == "bare" and fault.condition in ON_THE_PROPELLER else takes(test, later, fault))
        ]
        cases.append(RigCase(fault, baseline, tuple(now)))
    return cases


def every_fault() -> list[Fault]:
    """Each condition at each severity."""
    return [Fault(condition, severity) for condition in CONDITIONS if condition != "healthy" for severity in SEVERITIES]


def _steps(job: tuple[int, Repeatability]) -> list[tuple[str, str, str, str, int]]:
    seed, repeatability = job
    found: list[tuple[str, str, str, str, int]] = []
    for case in craft_cases(seed, every_fault(), HEALTHY, EVERY):
        condition, severity = (case.fault.condition, f"{case.fault.severity:g}") if case.fault else ("healthy", "0")
        found += [(condition, severity, o.name, o.test or "", o.step) for o in observe(case.now, case.baseline, repeatability)]
    return found


def _takes(seed: int) -> list[tuple[str, str, str, float, float]]:
    """(quantity, test, sensor, variance of takes, difference of two good motors) on one craft, for each sensor."""
    craft = draw_craft(seed)
    rows: list[tuple[str, str, str, float, float]] = []
    for sensor in SENSORS:
        for test in EVERY:
            readings = [rig_reading(craft, test, sensor, take) for take in range(4)]
            other = rig_reading(craft, test, sensor, 9, rotor=1)
            for name in CHANGES:
                values = [_mean(r, name) for r in readings]
                known = [v for v in values if v is not None]
                beside = _mean(other, name)
                if len(known) > 2 and beside is not None:
                    rows.append((name, test, str(sensor), float(np.var(known, ddof=1)), beside - float(np.mean(known))))
    return rows


def _mean(reading: Reading, name: str) -> float | None:
    parts = parts_of(reading, name)
    return float(np.mean([q.value for q in parts.values()])) if parts else None


def make_repeatability(seeds: Iterable[int], pool: ProcessPoolExecutor) -> str:
    """Text of repeatability.csv: root of the mean variance, and robust spread between motors beyond it."""
    gathered: defaultdict[tuple[str, str, str], list[tuple[float, float]]] = defaultdict(list)
    for rows in pool.map(_takes, seeds):
        for name, test, sensor, variance, difference in rows:
            gathered[name, test, sensor].append((variance, difference))
    lines = ["# made by python -m vibekit.calibration; do not edit", "quantity,test,sensor,deviation_db,spread_db"]
    for key, values in sorted(gathered.items()):
        variance, difference = np.array(values).T
        deviation = float(np.sqrt(variance.mean()))
        apart = 1.4826 * float(np.median(np.abs(difference)))
        spread = np.sqrt(max(apart**2 - 1.25 * deviation**2, 0.0) / 2)
        lines.append(",".join([*key, f"{deviation:.2f}", f"{spread:.2f}"]))
    return "\n".join(lines) + "\n"


def make_likelihoods(seeds: Iterable[int], repeatability: Repeatability, pool: ProcessPoolExecutor) -> str:
    """Text of likelihoods.csv."""
    counts: Counter[tuple[str, str, str, str, int]] = Counter()
    for steps in pool.map(_steps, [(seed, repeatability) for seed in seeds]):
        counts.update(steps)
    return likelihood_table(counts)


def likelihood_table(counts: Counter[tuple[str, str, str, str, int]]) -> str:
    """Text of likelihoods.csv from how often (condition, severity, clue, test, step) was seen.

    Where the catalogue says nothing of a clue under a condition, the condition leaves it alone: all such states, the healthy among
    them, share one row, so that its rare steps are counted over thousands of cases. A state of which the catalogue does speak has
    its own row, drawn by PRIOR_CASES cases towards that of all severities of its condition.
    """
    catalogue = load_catalogue()
    states, clues = sorted({key[:2] for key in counts}), sorted({key[2:4] for key in counts})
    rows = {(*s, *c): np.array([counts[*s, *c, step] for step in range(len(STEPS))], float) for s in states for c in clues}
    alone: defaultdict[tuple[str, str], Array] = defaultdict(lambda: np.full(len(STEPS), 0.5))  # Jeffreys' prior of a multinomial
    kin: defaultdict[tuple[str, str, str], Array] = defaultdict(lambda: np.full(len(STEPS), 0.5))
    for (condition, _, clue, test), row in rows.items():
        if catalogue[condition].expects(clue, test) in (None, "unchanged", "absent"):
            alone[clue, test] += row
        else:
            kin[condition, clue, test] += row
    lines = ["# made by python -m vibekit.calibration; do not edit", f"condition,severity,clue,test,{','.join(STEPS)},cases"]
    for (condition, severity, clue, test), row in rows.items():
        null, own = alone[clue, test] / alone[clue, test].sum(), kin.get((condition, clue, test))
        if own is None:
            shares, seen = null, alone[clue, test].sum()
        else:
            shares, seen = row + PRIOR_CASES * own / own.sum(), row.sum()
            if catalogue[condition].expects(clue, test) != "falls":
                shares = _monotone(shares / shares.sum(), null)
        lines.append(",".join([condition, severity, clue, test, *(f"{s:.5f}" for s in shares / shares.sum()), f"{seen:.0f}"]))
    return "\n".join(lines) + "\n"


def _monotone(shares: Array, null: Array) -> Array:
    """The shares with a likelihood ratio that does not fall from "unchanged" up: more of what a fault raises never speaks against it.

    Monotone likelihood ratio: Karlin & Rubin, Ann. Math. Statist. 27 (1956) 272-299.
    """
    ratio = shares / null
    ratio[UNCHANGED:] = np.maximum.accumulate(ratio[UNCHANGED:])
    return np.asarray(null * ratio)


def main() -> None:
    """Write both tables into `reference_spectra/` of this checkout."""
    craft = int(sys.argv[1]) if len(sys.argv) > 1 else 120
    folder = Path(__file__).resolve().parent.parent / "reference_spectra"
    with ProcessPoolExecutor() as pool:
        (folder / "repeatability.csv").write_text(make_repeatability(range(FIRST_SEED - 40, FIRST_SEED), pool), encoding="utf-8")
        load_repeatability.cache_clear()
        seeds = range(FIRST_SEED, FIRST_SEED + craft)
        (folder / "likelihoods.csv").write_text(make_likelihoods(seeds, load_repeatability(), pool), encoding="utf-8")


if __name__ == "__main__":
    main()
