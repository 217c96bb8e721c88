"""What is stated about a file so that it can be read: kept with a reading, so that it can be read again."""

from dataclasses import dataclass
from pathlib import Path

from vibekit.recording import Recording


@dataclass(frozen=True, slots=True)
class Reader:
    """Arguments of vibekit.capture.files.read_recording; None where nothing is stated."""

    roles: tuple[str, ...] | None = None
    unit: str | None = None
    sensitivity: float | None = None
    columns: tuple[str, ...] | None = None
    time_unit: str | None = None
    rate_hz: float | None = None

    def read(self, path: str | Path) -> Recording:
        """Read a file. Raises UnreadableError, UsageError."""
        from vibekit.capture.files import read_recording

        return read_recording(
            path,
            roles=self.roles,
            unit=self.unit,
            sensitivity=self.sensitivity,
            columns=self.columns,
            time_unit=self.time_unit,
            rate_hz=self.rate_hz,
        )
