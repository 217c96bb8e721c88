"""What merely repeating a measurement, or taking another good motor, does to each quantity."""

import csv
import math
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

NOT_IN_TABLE = (2.0, 4.0)


@dataclass(frozen=True, slots=True)
class Repeatability:
    """Standard deviations in dB of one recording about its motor's mean, and of good motors about each other.

    rows: {(quantity, test, sensor): (deviation, spread)}; made on the rig by `python -m vibekit.calibration`
    """

    rows: dict[tuple[str, str, str], tuple[float, float]]

    def _row(self, name: str, test: str | None, sensor: str | None) -> tuple[float, float]:
        if test is None:  # not said: bare or with the propeller, variances alike
            bare, prop = self._row(name, "bare", sensor), self._row(name, "prop", sensor)
            return math.hypot(bare[0], prop[0]) / math.sqrt(2), math.hypot(bare[1], prop[1]) / math.sqrt(2)
        heard = sensor or "microphone"  # not said: the least repeatable
        for key in ((name, test, heard), (name, "prop", heard), (name, test, "contact"), (name, "prop", "contact")):
            if key in self.rows:
                return self.rows[key]
        return NOT_IN_TABLE

    def deviation(self, name: str, test: str | None, sensor: str | None) -> float:
        """Standard deviation of one recording when the measurement is repeated, dB."""
        return self._row(name, test, sensor)[0]

    def spread(self, name: str, test: str | None, sensor: str | None) -> float:
        """Standard deviation from one good motor to another, dB."""
        return self._row(name, test, sensor)[1]


@cache
def load_repeatability() -> Repeatability:
    """Read the table in `reference_spectra`."""
    text = (files("vibekit.reference_spectra") / "repeatability.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return Repeatability({(r["quantity"], r["test"], r["sensor"]): (float(r["deviation_db"]), float(r["spread_db"])) for r in rows})
