"""Time-synchronous average: what repeats from turn to turn, over one turn."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import stdtrit

from vibekit.errors import UsageError
from vibekit.orders import RANGES, AngularSignal, angular_signal
from vibekit.reading import Curve, Quantity
from vibekit.track import Track
from vibekit.transform import Transform

Array = npt.NDArray[np.float64]
LEAST_TURNS = 8
HIGHEST = 32.0  # order
SMOOTH = 2.6  # points a turn for each order, so that their line looks like a wave


@dataclass(frozen=True, slots=True)
class SynchronousAverage:
    """Mean of many turns.

    turn: (m,) place in the turn, 0 to 1; mean, u95: (m,) signal there, without its constant part, and half width of its 95 % interval,
    in `unit`
    averages: number of turns
    """

    turn: Array
    mean: Array
    u95: Array
    averages: int
    unit: str

    @property
    def noise_gain_db(self) -> float:
        """What averaging leaves of noise that does not repeat: -10 log10 of the number of turns, dB (McFadden 1987)."""
        return -10 * math.log10(self.averages)

    def passes(self, order: float) -> float:
        """Part of the amplitude of an order that the average lets through: |sin(pi N k) / (N sin(pi k))|, 1 at whole orders.

        P.D. McFadden, Mech. Syst. Signal Process. 1 (1987) 83-95: a comb filter whose teeth narrow with the number of turns.
        """
        away = order - round(order)
        if abs(away) < 1e-12:
            return 1.0
        return abs(math.sin(math.pi * self.averages * away) / (self.averages * math.sin(math.pi * away)))

    @property
    def curve(self) -> Curve:
        """The average as a curve against the angle in degrees."""
        return Curve("one turn", 360 * self.turn, self.mean, "°", self.unit, 360 / len(self.turn), self.u95)

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """How many turns, and what of the noise is gone."""
        return Quantity("turns averaged", self.averages, 0.0, ""), Quantity("noise gain of one turn", self.noise_gain_db, 0.0, "dB")


def one_turn(transform: Transform, track: Track, unit: str, *, leave_out_s: RANGES = ()) -> SynchronousAverage | None:
    """Average a record over the turns of a tacho, each from its mark on; None with fewer than LEAST_TURNS.

    transform: of one channel; track: through the marks, turn 0 at its first time
    """
    start, end = float(track.time_s[0]), min(float(track.time_s[-1]), (transform.n - 1) / transform.rate_hz)
    if end <= start or track.turns(end) < LEAST_TURNS + 1:
        return None
    time = np.linspace(start, end, int(4 * track.turns(end)) + 2)
    signal = angular_signal(transform, (time, track.turns(time)), max_order=HIGHEST, unit=unit, finest=SMOOTH)
    try:
        return synchronous_average(signal, leave_out_s=leave_out_s) if signal else None
    except UsageError:
        return None


def synchronous_average(signal: AngularSignal, *, leave_out_s: RANGES = ()) -> SynchronousAverage:
    """Average whole turns of a signal read at equal angles; the interval is Student's, from the scatter of the turns at each angle.

    Each turn's own mean is taken off: it drifts with noise that is slower than a turn, which neighbouring turns share, so that their
    scatter says too little of it.
    leave_out_s: turns that touch these times are left out. Raises UsageError when fewer than LEAST_TURNS are left.
    """
    count = len(signal.samples) // signal.per_turn
    turns = signal.samples[: count * signal.per_turn].reshape(count, signal.per_turn)
    at = signal.at_s[: turns.size].reshape(turns.shape)
    kept = [not any(a < last and first < b for a, b in leave_out_s) for first, last in zip(at[:, 0], at[:, -1], strict=True)]
    turns = turns[np.array(kept, dtype=bool)]
    if len(turns) < LEAST_TURNS:
        raise UsageError(f"{len(turns)} whole turns; a synchronous average needs {LEAST_TURNS} or more")
    turns = turns - turns.mean(axis=1, keepdims=True)
    u95 = float(stdtrit(len(turns) - 1, 0.975)) * turns.std(axis=0, ddof=1, dtype=np.float64) / math.sqrt(len(turns))
    mean = turns.mean(axis=0, dtype=np.float64)
    return SynchronousAverage(np.arange(signal.per_turn) / signal.per_turn, mean, u95, len(turns), signal.unit)
