"""What merely repeating a measurement, or taking another good motor, does to each quantity."""

import math
from dataclasses import dataclass
from functools import cache

from vibekit.made_table import rows_of, table_text

LEAST_UNKNOWN = 0.2  # share of a spread that is never taken as known


@dataclass(frozen=True, slots=True)
class Spread:
    """Scatter of one quantity: relative for the amplitude of lines, dB for all else.

    deviation: of one recording about its motor's mean; worth: how many observations that counts for, fewer where craft differ in it
    spread: of good motors about each other
    """

    deviation: float
    worth: float
    spread: float


NOT_IN_TABLE = Spread(1.0, 2.0, 1.0)


@dataclass(frozen=True, slots=True)
class Repeatability:
    """rows: {(quantity, test, sensor): its Spread}; made on the rig by `python -m vibekit.calibration`."""

    rows: dict[tuple[str, str, str], Spread]

    def of(self, name: str, test: str | None, sensor: str | None) -> Spread:
        """The spread of a quantity; where the test was not said, bare or with the propeller, variances alike."""
        if test is None:
            bare, prop = self.of(name, "bare", sensor), self.of(name, "prop", sensor)
            mean = math.sqrt(0.5)
            return Spread(
                mean * math.hypot(bare.deviation, prop.deviation), min(bare.worth, prop.worth), mean * math.hypot(bare.spread, prop.spread)
            )
        heard = sensor or "microphone"  # not said: the least repeatable
        for key in ((name, test, heard), (name, "prop", heard), (name, test, "contact"), (name, "prop", "contact")):
            if key in self.rows:
                return self.rows[key]
        return NOT_IN_TABLE


@cache
def load_repeatability() -> Repeatability:
    """Read the table in `reference_spectra`."""
    rows = rows_of(table_text("repeatability.csv"))
    return Repeatability(
        {(r["quantity"], r["test"], r["sensor"]): Spread(float(r["deviation"]), float(r["worth"]), float(r["spread"])) for r in rows}
    )
