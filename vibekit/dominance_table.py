"""Count how far the loudest rotor stands out in flight, sound and hurt: `python -m vibekit.dominance_table [CRAFT]` (minutes).

Craft of the usual and of the wide population by turns, each with one kind of sensor. Every other one is trimmed: the pairs of its rotors
that turn one way are faster than the others by a share normal about 0 with TRIM_YAW, to hold its heading, and each rotor by TRIM, for
where its mass lies (common practice, no source). Blades are known, or not, by turns.
"""

import sys
from collections import Counter
from pathlib import Path

import numpy as np

from vibekit.dominance import loudest_rotor
from vibekit.dominance_evidence import EDGES_DB, SOUND
from vibekit.rig import Condition, Fault, RigCraft, draw_craft
from vibekit.rig.craft import stream
from vibekit.rig.flight_band import CutTip, flight_bands
from vibekit.rig.population import USUAL, WIDE
from vibekit.rig_case import SENSORS, SEVERITIES

FIRST_SEED = 3_000_000  # tests and the other tables draw their craft from other seeds
RAISING: tuple[Condition, ...] = (
    "prop-imbalance", "blade-damage", "rotor-imbalance", "bent-shaft", "loose-mount", "loose-propeller", "resonance",
)  # fmt: skip
CUT = (0.05, 0.13)  # of the radius
SOUND_TAKES = 4
TRIM_YAW, TRIM = 0.03, 0.015


def _step(craft: RigCraft, seed: int, hurt: Fault | CutTip | None, take: int) -> int | None:
    rng = stream(craft, "trim")
    trim = 1 + rng.normal(0, TRIM_YAW) * np.array([1, -1, 1, -1]) + rng.normal(0, TRIM, 4)
    one, blade_pass = flight_bands(craft, SENSORS[seed % 3], hurt, take, trim=trim if seed % 2 else None)
    found = loudest_rotor(one, blade_pass if seed // 2 % 2 else None, craft.blades)
    return None if found is None else int(np.searchsorted(EDGES_DB, found[0].value, side="right"))


def make_table(seeds: range) -> str:
    """Text of dominance.csv: how often each step, in a hundred, where nothing is wrong that raises 1x, and under each condition."""
    counts = {name: Counter[int | None]() for name in (SOUND, *RAISING)}
    for seed in seeds:
        craft = draw_craft(seed, (USUAL, WIDE)[seed // 4 % 2])
        rng = stream(craft, "hurt")
        for take in range(SOUND_TAKES):
            counts[SOUND][_step(craft, seed, None, take)] += 1
        for name in RAISING:  # half of the damaged blades are cut at the tip
            hurt = Fault(name, float(rng.choice(SEVERITIES)), int(rng.integers(4)))
            cut = CutTip(rng.uniform(*CUT), hurt.rotor)
            counts[name][_step(craft, seed, cut if name == "blade-damage" and seed // 8 % 2 else hurt, SOUND_TAKES)] += 1
    steps = range(len(EDGES_DB) + 1)
    lines = ["condition,cases," + ",".join(f"from {edge:g} dB" for edge in (0, *EDGES_DB))]
    for state, count in counts.items():
        cases = sum(count[k] for k in steps)
        lines.append(f"{state},{cases}," + ",".join(f"{100 * count[k] / cases:.2f}" for k in steps))
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the table into `reference_spectra/` of this checkout."""
    craft = int(sys.argv[1]) if len(sys.argv) > 1 else 1500
    path = Path(__file__).resolve().parent.parent / "reference_spectra" / "dominance.csv"
    made = "# made by python -m vibekit.dominance_table; do not edit\n"
    path.write_text(made + make_table(range(FIRST_SEED, FIRST_SEED + craft)), encoding="utf-8")


if __name__ == "__main__":
    main()
