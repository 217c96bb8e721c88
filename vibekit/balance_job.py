"""A balancing job: what was planned, each round of the rotor with its recordings, and nothing that needs a screen or a disk."""

import math
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

import numpy as np
import numpy.typing as npt

from vibekit.balancing import Run
from vibekit.errors import UsageError, check_choice
from vibekit.obstacle import Obstacle
from vibekit.spots import PROPELLER, Spot, Stock, Weight, three_directions
from vibekit.unbalance import USUAL_GRADE
from vibekit.vector import Vector

Complex = npt.NDArray[np.complex128]
Method = Literal["phase", "amplitude"]
Stage = Literal["as found", "trial", "check"]
MARK = "Mark the propeller to its shaft and leave it on from the first recording to the last; put it on other places and all begins again."
COUNTED = "Angles count from the mark, blade 1, in the direction in which the rotor turns; blades and holes are numbered so."
SPEED_LIMIT = 0.03  # from the first run; the square law that corrects for it holds away from the frame's modes only


@dataclass(frozen=True, slots=True)
class Take:
    """One recording of a round: its 1x, the file it came from, and when it was taken."""

    vector: Vector
    file: str
    sha256: str
    at: datetime


@dataclass(frozen=True, slots=True)
class Round:
    """The rotor in one state. weights: all that is on it over its first state; takes: recordings of it."""

    stage: Stage
    weights: tuple[Weight, ...] = ()
    takes: tuple[Take, ...] = ()


@dataclass(frozen=True, slots=True)
class BalanceJob:
    """Everything that a balancing job knows.

    method: with phase, or by amplitude alone; planes: in which weights are put, "propeller", "bell"
    spots, stock: where weights can sit and what is at hand; setup: sensor, its place and fixing, in words
    propeller_g, rotor_g: mass of the propeller, and of all that turns; grade: balance quality asked for, mm/s
    speeds_rpm: speeds to record at, in ascending order; empty: that of the first recording; repeats: recordings a round and speed
    rounds: since the propeller was last fitted, oldest first; borrowed: of an earlier job in the same set-up, whose influence
        coefficients still hold; void: rounds that a refit of the propeller has spoilt
    obstacles: reasons why balancing cannot help; overruled: the user goes on all the same
    keep_trials: trial weights stay on when the correction is mounted
    ended: how the job was ended, "" while it is open
    """

    craft: str
    position: str
    method: Method
    spots: tuple[Spot, ...]
    stock: Stock = field(default_factory=Stock)
    planes: tuple[str, ...] = (PROPELLER,)
    setup: str = ""
    propeller_g: float | None = None
    rotor_g: float | None = None
    grade: float = USUAL_GRADE
    speeds_rpm: tuple[float, ...] = ()
    repeats: int = 3
    rounds: tuple[Round, ...] = (Round("as found"),)
    borrowed: tuple[Round, ...] = ()
    void: tuple[Round, ...] = ()
    obstacles: tuple[Obstacle, ...] = ()
    overruled: bool = False
    keep_trials: bool = False
    ended: str = ""

    def __post_init__(self) -> None:
        check_choice("method", self.method, ("phase", "amplitude"))
        if self.method == "amplitude" and len(self.planes) > 1:
            raise UsageError(f"planes are {', '.join(self.planes)}; amplitude alone balances one plane: record a tacho for two")
        if self.method == "amplitude" and not three_directions(tuple(spot for spot in self.spots if spot.plane == self.planes[0])):
            raise UsageError(
                "trial places are on one line, as two blades are: amplitude alone cannot tell them from their mirror image; "
                "allow a third place, such as hub@6 or flanks@20"
            )
        if self.repeats < 2:
            raise UsageError(f"repeats is {self.repeats}; a round needs 2 recordings at least, better 3, so that their scatter is known")
        for name, value in (("propeller_g", self.propeller_g), ("rotor_g", self.rotor_g), ("grade", self.grade)):
            if value is not None and not 0 < value < math.inf:
                raise UsageError(f"{name} is {value:g}; it must be above 0")
        for plane in self.planes:
            if not any(spot.plane == plane for spot in self.spots):
                raise UsageError(f"plane {plane!r} has no place for a weight; name one, such as blades@45 (propeller) or rim@14 (bell)")

    @property
    def now(self) -> Round:
        """The rotor as it is."""
        return self.rounds[-1]

    @property
    def references_rpm(self) -> tuple[float, ...]:
        """The speeds that all readings are brought to; () before the first recording."""
        first = next((take for part in (self.borrowed, self.rounds) for r in part for take in r.takes), None)
        return self.speeds_rpm or ((first.vector.rpm,) if first else ())

    def missing(self, number: int = -1) -> tuple[int, ...]:
        """How many recordings a round still wants, at each speed."""
        return tuple(max(self.repeats - count, 0) for count in self._counts(self.rounds[number]))

    @property
    def whole(self) -> tuple[Round, ...]:
        """The rounds that have all their recordings."""
        return tuple(r for number, r in enumerate(self.rounds) if not any(self.missing(number)))

    def add(self, take: Take) -> "BalanceJob":
        """Give the job with one more recording of the rotor as it is.

        Raises UsageError for a recording without phase where it is needed, of other channels, at another speed, or added before.
        """
        vector = take.vector
        if self.method == "phase" and not vector.has_phase:
            raise UsageError(
                f"{take.file}: it holds no tacho pulses, or only marks all alike; record one mark a turn, or balance by amplitude"
            )
        points = len(vector.values) * max(len(self.speeds_rpm), 1)
        if points < len(self.planes):
            count = f"{points} measuring point{'s' * (points > 1)}"
            raise UsageError(
                f"{take.file}: {count} cannot tell {len(self.planes)} planes apart; record a vibration channel more, or begin anew with a "
                "speed more or one plane"
            )
        known = [other for part in (self.borrowed, self.void, self.rounds) for r in part for other in r.takes]
        if any(other.sha256 == take.sha256 for other in known):
            raise UsageError(f"{take.file}: this recording is in the job already; record the run again")
        if known and (len(known[0].vector.values), known[0].vector.unit) != (len(vector.values), vector.unit):
            raise UsageError(
                f"{take.file}: it has {len(vector.values)} channels in {vector.unit}, "
                f"the others {len(known[0].vector.values)} in {known[0].vector.unit}; leave the sensor as it is"
            )
        if self.references_rpm and self._speed_of(vector.rpm) is None:
            how = "set the speed again and record it again (1 % of speed is 2 % of 1x)"
            raise UsageError(f"{take.file}: {self.other_speed(vector.rpm)}; {how}")
        return self._with_now(replace(self.now, takes=(*self.now.takes, take)))

    def mount(self, stage: Stage, weights: tuple[Weight, ...]) -> "BalanceJob":
        """Give the job with the rotor in a new state; weights: all that is on it now, over its first state."""
        for weight in weights:
            if weight.spot.plane not in self.planes:
                raise UsageError(f"a weight sits in plane {weight.spot.plane!r}; this job balances in {', '.join(self.planes)}")
        fresh = Round(stage, weights)
        return self._with_now(fresh) if not self.now.takes and len(self.rounds) > 1 else replace(self, rounds=(*self.rounds, fresh))

    def back(self) -> "BalanceJob":
        """Give the job as it was before its last recording, or before the weights were mounted where none was made since.

        Raises UsageError when there is nothing to take back.
        """
        if self.now.takes:
            less = self._with_now(replace(self.now, takes=self.now.takes[:-1]))
            return less if self.rounds[1:] else replace(less, obstacles=())
        if len(self.rounds) == 1:
            raise UsageError("there is nothing to take back: the job has no recording since the propeller was fitted")
        return replace(self, rounds=self.rounds[:-1])

    def refitted(self) -> "BalanceJob":
        """Give the job after the propeller was taken off and put back: it begins again, and nothing measured before counts.

        Weights that are on the rotor now belong to its new first state.
        """
        spoilt = (*self.void, *(r for r in self.rounds if r.takes))
        return replace(self, rounds=(Round("as found"),), borrowed=(), void=spoilt, obstacles=())

    def weights_in(self, round_: Round) -> Complex:
        """What a round had on the rotor, (planes,), g mm."""
        return np.array([sum((w.unbalance for w in round_.weights if w.spot.plane == plane), 0j) for plane in self.planes], complex)

    def readings(self, round_: Round) -> Complex:
        """1x brought to the reference speeds, (takes, points): speed by speed, in each all channels.

        The force of an unbalance goes as the square of speed; so does the vibration away from the frame's modes.
        """
        by_speed: list[list[Complex]] = [[] for _ in self.references_rpm]
        for take in round_.takes:
            number = self._speed_of(take.vector.rpm)
            if number is not None:
                factor = (self.references_rpm[number] / take.vector.rpm) ** 2
                vector: Complex = np.array(take.vector.values, np.complex128)
                by_speed[number].append(vector * factor)
        return np.array([np.concatenate(together) for together in zip(*by_speed, strict=False)], complex)

    def runs(self) -> list[Run]:
        """Every take of every round as a run of the fit; those of an earlier job are of another fitting."""
        parts = ((0, self.borrowed), (1, self.whole))
        return [Run(self.weights_in(r), row, fitting) for fitting, rounds in parts for r in rounds for row in self.readings(r)]

    def _with_now(self, round_: Round) -> "BalanceJob":
        return replace(self, rounds=(*self.rounds[:-1], round_))

    def _counts(self, round_: Round) -> list[int]:
        numbers = [self._speed_of(take.vector.rpm) for take in round_.takes]
        return [numbers.count(number) for number in range(max(len(self.references_rpm), 1))]

    def other_speed(self, rpm: float) -> str:
        """Say that a recording turns at none of the job's speeds."""
        wanted = ", ".join(f"{reference:.0f}" for reference in self.references_rpm)
        return f"it turns at {rpm:.0f} rpm, wanted is {wanted} rpm within {100 * SPEED_LIMIT:.0f} %"

    def _speed_of(self, rpm: float) -> int | None:
        """Number of the reference speed that this is, None when it is too far from all."""
        away = [abs(rpm / reference - 1) for reference in self.references_rpm]
        nearest = int(np.argmin(away))
        return nearest if away[nearest] <= SPEED_LIMIT else None
