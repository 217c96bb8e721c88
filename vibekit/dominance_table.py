"""Count how far the loudest rotor stands out in flight, sound and hurt: `python -m vibekit.dominance_table [CRAFT]` (minutes).

Craft of the usual and of the wide population by turns, each with one kind of sensor. Blades are known, or not, by turns.
"""

from collections import Counter
from collections.abc import Sequence

from vibekit.dominance import LEAD, LOUDEST, loudest_rotor
from vibekit.dominance_evidence import CUT_TIP, LEAD_COLUMNS, LEADS, LEVEL_COLUMNS, LEVELS_DB, SOUND, step_of
from vibekit.made_table import write_table
from vibekit.rig import Condition, Fault, RigCraft, draw_craft
from vibekit.rig.craft import ROTORS, stream
from vibekit.rig.flight_band import CutTip, flight_bands
from vibekit.rig.population import USUAL, WIDE
from vibekit.rig_case import SENSORS, SEVERITIES

FIRST_SEED = 3_000_000  # tests and the other tables draw their craft from other seeds
RAISING: tuple[Condition, ...] = (
    "prop-imbalance", "blade-damage", "rotor-imbalance", "bent-shaft", "loose-mount", "loose-propeller", "resonance",
)  # fmt: skip
NOT_ALONE = 0.3  # share of hurt craft on which a second rotor is hurt likewise (common practice, no source)
CUT = (0.05, 0.25)  # of the radius (common practice, no source)
SOUND_TAKES = 4


def _steps(craft: RigCraft, seed: int, hurt: Sequence[Fault | CutTip], take: int) -> tuple[int, int | None]:
    """Steps of the level and, where it is known, of the lead."""
    one, blade_pass = flight_bands(craft, SENSORS[seed % 3], hurt, take)
    found = {q.name: q.value for q in loudest_rotor(one, blade_pass if seed // 2 % 2 else None, craft.blades)}
    return step_of(found[LOUDEST], LEVELS_DB), step_of(found[LEAD], LEADS) if LEAD in found else None


def make_table(seeds: range) -> str:
    """Text of dominance.csv: how often each step, in a hundred, where nothing is wrong that raises 1x, and under each condition."""
    counts = {name: Counter[tuple[int, int | None]]() for name in (SOUND, *RAISING, CUT_TIP)}
    for seed in seeds:
        craft = draw_craft(seed, (USUAL, WIDE)[seed // 4 % 2])
        rng = stream(craft, "hurt")
        for take in range(SOUND_TAKES):
            counts[SOUND][_steps(craft, seed, (), take)] += 1
        for name in (*RAISING, None):
            rotors = rng.permutation(ROTORS)[: 1 + (rng.random() < NOT_ALONE)].tolist()
            hurt = [Fault(name, float(rng.choice(SEVERITIES)), r) if name else CutTip(rng.uniform(*CUT), r) for r in rotors]
            counts[name or CUT_TIP][_steps(craft, seed, hurt, SOUND_TAKES)] += 1
    lines = [f"condition,cases,{','.join(LEVEL_COLUMNS)},of known lead,{','.join(LEAD_COLUMNS)}"]
    for state, count in counts.items():
        shares = []
        for i, columns in enumerate((LEVEL_COLUMNS, LEAD_COLUMNS)):
            each = Counter[int]()
            for steps, times in count.items():
                if (step := steps[i]) is not None:
                    each[step] += times
            shares.append(f"{each.total()}," + ",".join(f"{100 * each[k] / each.total():.2f}" for k in range(len(columns))))
        lines.append(f"{state}," + ",".join(shares))
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the table into `reference_spectra/` of this checkout."""
    write_table("dominance.csv", "vibekit.dominance_table", make_table, FIRST_SEED, 1500)


if __name__ == "__main__":
    main()
