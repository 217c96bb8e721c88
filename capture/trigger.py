"""A take that begins by itself when the motor starts."""

import math

import numpy as np
import numpy.typing as npt

from vibekit.errors import UsageError

CHUNK_S = 0.05
LEARN_S = 0.5  # of quiet, before anything can begin
IN_A_ROW = 3  # chunks: a knock is over sooner


class Trigger:
    """Begins when the level stays `rise_db` over that of the first half second; what came `before_s` earlier belongs to the take.

    Raises UsageError for a rise below 3 dB or a time before that is negative or above 60 s.
    """

    def __init__(self, rise_db: float = 10.0, before_s: float = 1.0) -> None:
        if not 3 <= rise_db <= 80:
            raise UsageError(f"rise is {rise_db:g} dB; it must be from 3 to 80")
        if not 0 <= before_s <= 60:
            raise UsageError(f"time before the start is {before_s:g} s; it must be from 0 to 60")
        self.before_s = before_s
        self._ratio = 10 ** (rise_db / 10)
        self._rest: npt.NDArray[np.float32] | None = None
        self._quiet: list[float] = []
        self._loud = 0

    def starts(self, samples: npt.NDArray[np.float32], rate_hz: float) -> bool:
        """Listen to the next frames (n, channels); True once the motor runs."""
        size = max(round(CHUNK_S * rate_hz), 1)
        held = samples if self._rest is None else np.concatenate([self._rest, samples])
        count = len(held) // size
        self._rest = held[count * size :].copy()
        for level in np.var(held[: count * size].reshape(count, size, held.shape[1]), axis=1, dtype=np.float64).sum(axis=1):
            if len(self._quiet) < LEARN_S / CHUNK_S:
                self._quiet.append(float(level))
                continue
            limit = self._ratio * float(np.median(self._quiet))
            self._loud = self._loud + 1 if level > max(limit, math.ulp(0.0)) else 0
            if self._loud == IN_A_ROW:
                return True
        return False
