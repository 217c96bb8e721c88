"""The numbers of a craft's readings as a table of comma-separated values, one number a row, for other programs to go on with."""

import csv
import io
from collections.abc import Iterable

from vibekit.kept import KeptReading

COLUMNS = ("position", "test", "recorded", "file", "setup", "rpm", "rpm_u95", "what", "order", "value", "u95", "unit")


def numbers_csv(kept: Iterable[KeptReading]) -> str:
    """Write lines and quantities of readings, each with the half width of its 95 % interval, inf for an upper limit."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for item in kept:
        reading = item.reading
        speed = [_number(reading.speed.rpm), _number(reading.speed.rpm_u95)]
        head = [item.position, reading.settings.test or "", item.when.isoformat(), item.name, item.setup, *speed]
        for line in reading.orders:
            writer.writerow([*head, line.name, _number(line.order), _number(line.amplitude), _number(line.u95), line.unit])
        for quantity in reading.quantities:
            writer.writerow([*head, quantity.name, "", _number(quantity.value), _number(quantity.u95), quantity.unit])
    return text.getvalue()


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.9g}"
