"""The course of a motor's quantities: one row a sitting, all brought to one speed, one gain of the sensor and one noise."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

from vibekit.casefile import since_change
from vibekit.change import BROADBAND, CHANGES, FAR, SITTING_DB, parts_of, per_decade
from vibekit.gain import FORCE, common_gain
from vibekit.handspin import DRAG
from vibekit.kept import KeptReading, PartAction
from vibekit.line_groups import LINES, group
from vibekit.normal import Z95
from vibekit.observation import COMBS, NOT_IN_FLIGHT
from vibekit.reading import Reading
from vibekit.repeatability import Spread, load_repeatability
from vibekit.settings import Settings, Test
from vibekit.visits import Visit, visits_of

Array = npt.NDArray[np.float64]
WATCHED = (*CHANGES, "impulsiveness")  # quantities that have a baseline of their own; COMBS need none
SPEED_AGAIN = 0.1  # share by which a line near a mode moves when the speed is set again: 0.6 % (rms of within 1 %) over twice 3 % damping
BY_HAND = Spread(0.45, 6.0, 0.45)  # of a motor's drag, dB: grease is stiffer on a cold day, by 5 % (common practice, no source)
MOST_WORTH = 6.0  # observations that the prior counts for at most: a motor's own sittings are soon believed
NO_MORE = math.log10(2)  # a score is never below 0, which at most doubles its mean under noise alone: so much is taken off


def watched(test: Test | None) -> tuple[str, ...]:
    """Quantities that have a baseline of their own under this test."""
    if test == "hand-spin":
        return (DRAG,)
    return tuple(name for name in WATCHED if not (test == "flight" and name in NOT_IN_FLIGHT))


@dataclass(frozen=True, slots=True)
class Course:
    """Quantities of one motor under one test, in one set-up, near one speed, since its part was last changed; n sittings, q quantities.

    settings: of the newest reading; speed_rpm: to which levels are brought, None when not known
    visits: (n,) sittings, oldest first; names: (q,)
    values: (n, q) amplitude of lines at one noise, level in dB of all else, NaN where not measured; noise: (n, q) variance of the same
    from the measurement itself; deviation, worth: (q,) what one sitting does by itself before this motor has shown it, of lines as a share
    scores: {name: (n,)} evidence for pulses at a bearing's order, log10 of an e-value
    sound: (n,) nothing was claimed of it; restarts: (n,) something was done to the motor just before
    left_out: readings at another speed, with another sensor, or whose gain moved; engines: versions that made the readings
    """

    settings: Settings
    speed_rpm: float | None
    visits: tuple[Visit, ...]
    names: tuple[str, ...]
    values: Array
    noise: Array
    deviation: Array
    worth: Array
    scores: dict[str, Array]
    sound: npt.NDArray[np.bool_]
    restarts: npt.NDArray[np.bool_]
    left_out: int
    engines: tuple[str, ...]

    @property
    def moments(self) -> tuple[datetime, ...]:
        """When each sitting began."""
        return tuple(visit.began for visit in self.visits)

    @property
    def relative(self) -> npt.NDArray[np.bool_]:
        """(q,) of lines."""
        return np.array([name in LINES for name in self.names], bool)

    @property
    def decibels(self) -> Array:
        """(n, q) all values in dB."""
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(self.relative, 20 * np.log10(np.abs(self.values)), self.values)


def course_of(
    kept: Sequence[KeptReading], actions: Sequence[PartAction], past: Iterable[KeptReading], more: Sequence[str] = ()
) -> Course | None:
    """Gather the course of quantities from the readings of one motor under one test and in one set-up; None when none can be compared.

    past: readings that count as sound; more: quantities to be gathered beside those of `watched`
    Amplitudes of lines stand above noise of one power, that of the mean sitting, so that lines which hide in it compare as equal; the
    gain that a reading shares in all its lines and bands is taken out.
    """
    usable = [k for k in kept if k.reading.screening.usable]
    if not usable:
        return None
    newest = max(usable, key=lambda k: k.when)
    settings, speed = newest.settings, pace(newest.reading)
    fresh = since_change(actions, settings.test, newest.when)
    own = [k for k in usable if fresh is None or k.when >= fresh]
    fit = [k for k in own if k.settings.sensor == settings.sensor and k.reading.screening.levels_comparable and near(k.reading, speed)]
    if not fit:
        return None
    visits = visits_of(fit, actions)
    ordered = [k for visit in visits for k in visit.kept]
    readings = [k.reading for k in ordered]
    gains = _gains(readings)
    at = np.repeat(np.arange(len(visits)), [len(v.kept) for v in visits])
    columns = {
        name: found
        for name in dict.fromkeys([*watched(settings.test), *more])
        if (found := _column(name, readings, gains, at, settings, speed)) is not None
    }
    table = load_repeatability()
    spreads = [BY_HAND if name == DRAG else table.of(name, settings.test, settings.sensor) for name in columns]
    ids = {k.id for k in past}
    done = [action.done_at for action in actions]
    values, noise = (np.array([c[i] for c in columns.values()], float).reshape(len(columns), len(visits)).T for i in (0, 1))
    return Course(
        settings=settings,
        speed_rpm=speed,
        visits=visits,
        names=tuple(columns),
        values=values,
        noise=noise,
        deviation=np.array([math.hypot(s.deviation, _sitting(name)) for name, s in zip(columns, spreads, strict=True)]),
        worth=np.array([min(s.worth, MOST_WORTH) for s in spreads]),
        scores={name: sums for name in COMBS if (sums := _scores(name, readings, at)) is not None},
        sound=np.array([all(k.id in ids for k in v.kept) for v in visits]),
        restarts=np.array([i > 0 and any(visits[i - 1].ended < d <= v.began for d in done) for i, v in enumerate(visits)]),
        left_out=len(own) - len(fit),
        engines=tuple(dict.fromkeys(r.engine for r in readings)),
    )


def pace(reading: Reading) -> float | None:
    """The speed to which levels are brought, rpm; None where it is not known, and of a motor spun by hand, which ends at rest."""
    return None if reading.settings.test == "hand-spin" else reading.speed.rpm


def near(reading: Reading, speed: float | None) -> bool:
    """The reading's speed is near enough to `speed` for levels to be compared."""
    rpm = reading.speed.rpm
    return not speed or (rpm is not None and abs(math.log(rpm / speed)) <= FAR)


def _sitting(name: str) -> float:
    """What a new sitting adds to what repeating does in one."""
    return SPEED_AGAIN if name in LINES else SITTING_DB if name in BROADBAND else 0.0


def _gains(readings: Sequence[Reading]) -> list[float]:
    if len(readings) < 2:
        return [0.0]
    own, others = common_gain(readings[-1], readings[:-1])
    return [*others, own]


def decades(reading: Reading, speed: float | None) -> float:
    """Decades of speed by which a reading is faster; 0 where either is not known."""
    rpm = reading.speed.rpm
    return math.log10(rpm / speed) if rpm and speed else 0.0


def _mean(values: Array, at: npt.NDArray[np.int_]) -> Array:
    """(n,) mean over the readings of each sitting."""
    return np.bincount(at, values) / np.bincount(at)


def _column(
    name: str, readings: Sequence[Reading], gains: Sequence[float], at: npt.NDArray[np.int_], settings: Settings, speed: float | None
) -> tuple[Array, Array] | None:
    """(value, variance from the measurement itself) of one quantity, (n,) each; None where it was not measured every time."""
    if name in LINES:
        return _amplitude(group(name, settings), readings, gains, at, speed)
    each = [parts_of(r, name) for r in readings]
    common = set(each[0]).intersection(*each[1:])
    if not common or any(parts[p].unit != "dB" for parts in each for p in common):
        return None
    levels = np.array([np.mean([parts[p].value for p in common]) for parts in each])
    if name in BROADBAND:
        levels -= np.array([gain + per_decade(name) * decades(r, speed) for r, gain in zip(readings, gains, strict=True)])
    variance = np.array([np.mean([parts[p].u95 ** 2 for p in common]) for parts in each]) / Z95**2
    if not (np.isfinite(levels).all() and np.isfinite(variance).all()):
        return None
    return _mean(levels, at), _mean(variance, at) / np.bincount(at)


def _amplitude(
    orders: Sequence[float], readings: Sequence[Reading], gains: Sequence[float], at: npt.NDArray[np.int_], speed: float | None
) -> tuple[Array, Array] | None:
    lines = [{p.order: p for p in r.powers} for r in readings]
    orders = [o for o in orders if all(o in each for each in lines)]
    if not orders:
        return None
    scale = np.array([10 ** (-(g + FORCE * decades(r, speed)) / 10) for r, g in zip(readings, gains, strict=True)])
    each = np.array([[[line[o].power, line[o].noise, line[o].error] for o in orders] for line in lines]) * scale[:, None, None]
    power, noise = _mean(each[:, :, 0].sum(axis=1), at), _mean(each[:, :, 1].sum(axis=1), at)
    error = np.sqrt(_mean((each[:, :, 2] ** 2).sum(axis=1), at) / np.bincount(at))
    level = float(noise.mean())
    amplitude = np.sqrt(np.maximum(power + level, max(level / 4, np.finfo(float).tiny)))
    return amplitude, (error / (2 * amplitude)) ** 2


def _scores(name: str, readings: Sequence[Reading], at: npt.NDArray[np.int_]) -> Array | None:
    found = [r.quantity(name) for r in readings]
    if any(q is None for q in found):
        return None
    return np.bincount(at, np.array([q.value - NO_MORE for q in found if q is not None])).astype(np.float64)
