"""Count how far each kind of order stands out of the noise in flight: `python -m vibekit.blade_count_table [CRAFT]` (minutes).

Craft of the usual and of the wide population by turns, each with one kind of sensor; half of them sound, a quarter with a cut tip, a
quarter with another fault that raises 1x.
"""

import numpy as np

from vibekit.blade_count import BETWEEN, COLUMNS, KINDS, STEPS_DB, TOP, between_of, kind_of, line_levels
from vibekit.dominance_table import CUT, RAISING
from vibekit.made_table import write_table
from vibekit.rig import Fault, draw_craft
from vibekit.rig.craft import ROTORS, stream
from vibekit.rig.flight_band import CutTip
from vibekit.rig.flight_sound import KEPT, flight_sound
from vibekit.rig.population import USUAL, WIDE
from vibekit.rig_case import SENSORS, SEVERITIES
from vibekit.transform import Transform

FIRST_SEED = 3_500_000  # tests and the other tables draw their craft from other seeds
RATE_HZ = 4000.0


def make_table(seeds: range) -> str:
    """Text of blade_count.csv: how often each step, in a hundred, at each kind of order, and half-way between orders."""
    counts = {name: np.zeros(len(COLUMNS)) for name in (*KINDS, *BETWEEN)}
    orders = np.arange(1, 2 * TOP + 1) / 2
    for seed in seeds:
        craft = draw_craft(seed, (USUAL, WIDE)[seed // 4 % 2])
        rng = stream(craft, "hurt")
        rotor, cut, severity = int(rng.integers(ROTORS)), CutTip(rng.uniform(*CUT)), float(rng.choice(SEVERITIES))
        other = Fault(RAISING[int(rng.integers(len(RAISING)))], severity, rotor)
        recording, rotors = flight_sound(
            craft, SENSORS[seed % 3], ((), (other,), (), (CutTip(cut.share, rotor),))[seed % 4], 0, rate_hz=RATE_HZ
        )
        heard = Transform.of(recording.samples[0], RATE_HZ)
        for order, level in zip(orders, line_levels(heard, orders, rotors.speed_hz.mean(keepdims=True), KEPT * RATE_HZ)[:, 0], strict=True):
            if np.isfinite(level):
                name = between_of(order) if order % 1 else kind_of(int(order), craft.blades)
                counts[name][np.searchsorted(STEPS_DB, level, side="right")] += 1
    shares = [f"{name},{each.sum():.0f}," + ",".join(f"{100 * k / each.sum():.2f}" for k in each) for name, each in counts.items()]
    return "\n".join([f"lines,cases,{','.join(COLUMNS)}", *shares]) + "\n"


def main() -> None:
    """Write the table into `reference_spectra/` of this checkout."""
    write_table("blade_count.csv", "vibekit.blade_count_table", make_table, FIRST_SEED, 900)


if __name__ == "__main__":
    main()
