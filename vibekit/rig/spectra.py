"""The order spectrum of each condition as the rig gives it: `python -m vibekit.rig.spectra [CONDITION...]` writes reference_spectra/*.csv.

Median over craft at severity 8, all with a two-bladed propeller, 14 poles on 12 slots and a 623 bearing (7 balls of 1.588 mm on 6.5 mm,
from memory), so that their orders coincide. Sensor: contact pick-up. Columns: order; largest amplitude within 0.05 of it, bare and with
a propeller, dB re the same motor's 1x when healthy in the same test; the same of the squared envelope of 2 to 10.8 kHz (whitened), dB re
its mean, up to order 12 and empty above.
"""

import sys
from collections.abc import Iterable
from dataclasses import replace
from importlib.resources import files
from itertools import count, islice
from pathlib import Path

import numpy as np
import numpy.typing as npt

from vibekit.bearing import Bearing
from vibekit.envelope import squared_envelope
from vibekit.errors import check_choice
from vibekit.orders import angular_signal
from vibekit.recording import Recording
from vibekit.rig.craft import ROTORS, RigCraft
from vibekit.rig.fault import CONDITIONS, Condition, Fault
from vibekit.rig.population import draw_craft
from vibekit.rig.quantity import HIGH_BAND
from vibekit.rig.record import Truth, record
from vibekit.settings import Test
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]

BEARING = Bearing(7, 1.588, 6.5)
SEVERITY = 8.0
CRAFTS = 40
FIRST_SEED = 2_000_000  # tests and calibration draw theirs elsewhere
TOP_ORDER = 50
TOP_ENVELOPE_ORDER = 12
STEP = 0.1
TESTS: tuple[Test, ...] = ("bare", "prop")
COLUMNS = ("order", "bare_db", "prop_db", "bare_envelope_db", "prop_envelope_db")
DECIMALS = 1


def comparable_craft(number: int) -> list[RigCraft]:
    """The first craft of the population whose orders coincide and reach up to order 50 below 10.8 kHz."""
    drawn = (draw_craft(seed) for seed in count(FIRST_SEED))
    fitting = (craft for craft in drawn if craft.blades == 2 and craft.poles == 14 and TOP_ORDER * craft.test_hz < HIGH_BAND[1])
    return [replace(craft, bearing=BEARING) for craft in islice(fitting, number)]


def condition_spectrum(condition: Condition, crafts: Iterable[RigCraft]) -> Array:
    """(orders, 5) table of one condition, columns as in COLUMNS: median over the craft."""
    tables = [_one_craft(condition, craft, number % ROTORS) for number, craft in enumerate(crafts)]
    order = STEP * np.arange(1, round(TOP_ORDER / STEP) + 1)
    table: Array = np.round(np.column_stack([order, *np.median(tables, axis=0)]), DECIMALS)
    return table


def write_csv(condition: Condition, table: Array, folder: Path) -> None:
    """Write one condition's table."""
    lines = [",".join(COLUMNS), *(",".join("" if np.isnan(value) else f"{value:.{DECIMALS}f}" for value in row) for row in table)]
    (folder / f"{condition}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


def _one_craft(condition: Condition, craft: RigCraft, rotor: int) -> list[Array]:
    orders, envelopes = [], []
    pad = (0, round((TOP_ORDER - TOP_ENVELOPE_ORDER) / STEP))
    for test in TESTS:
        _, healthy = record(craft, rotor=rotor, test=test, take=0)
        recording, truth = record(craft, rotor=rotor, test=test, take=1, fault=Fault(condition, SEVERITY, rotor))
        transform = Transform.of(recording.samples[0].copy(), recording.rate_hz)
        orders.append(20 * np.log10(_order_peaks(transform, recording, truth, TOP_ORDER) / healthy.amplitude[1.0]))
        squared, rate = squared_envelope(transform.whitened(*HIGH_BAND), *HIGH_BAND)
        peaks = _order_peaks(Transform.of(squared, rate), recording, truth, TOP_ENVELOPE_ORDER)
        envelopes.append(np.pad(20 * np.log10(peaks), pad, constant_values=np.nan))
    return [*orders, *envelopes]


def _order_peaks(transform: Transform, recording: Recording, truth: Truth, top: int) -> Array:
    """(orders,) largest amplitude within half a step of each order up to `top`."""
    time = np.arange(recording.samples.shape[1]) / recording.rate_hz
    inside = time <= (transform.n - 1) / transform.rate_hz
    signal = angular_signal(transform, (time[inside], truth.turns[0][inside]), max_order=top + STEP, unit="FS")
    if signal is None:
        raise AssertionError("2.5 s at 4 000 rpm and more hold four turns")
    spectrum = signal.spectrum(block_turns=80)
    edges = np.searchsorted(spectrum.order, STEP * (np.arange(round(top / STEP) + 1) + 0.5))
    peaks: Array = np.maximum.reduceat(spectrum.amplitude, edges)[:-1]
    return peaks


def main(wanted: list[str]) -> None:
    """Make the tables of the conditions wanted, of all when none is named."""
    folder = Path(str(files("vibekit.reference_spectra")))
    for name in wanted:
        check_choice("condition", name, CONDITIONS)
    crafts = comparable_craft(CRAFTS)
    for condition in CONDITIONS:
        if not wanted or condition in wanted:
            write_csv(condition, condition_spectrum(condition, crafts), folder)


if __name__ == "__main__":
    main(sys.argv[1:])
