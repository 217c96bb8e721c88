"""Before and after: what changed on each motor, in numbers with intervals, and how that is told on paper."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy.special import stdtrit

from vibekit.balance_job import BalanceJob, Round
from vibekit.balance_solution import Left, level, solve
from vibekit.balance_verdict import Verdict, judge_balance
from vibekit.change import Change
from vibekit.comparison import CLEAR, change_words
from vibekit.decibel import NEPER_DB
from vibekit.effect import changes_between
from vibekit.errors import UsageError
from vibekit.finding import Conclusion
from vibekit.line_groups import LINES, group
from vibekit.picture import Picture
from vibekit.reading import OrderLine, Reading
from vibekit.repeatability import load_repeatability
from vibekit.report import Note
from vibekit.spots import Weight
from vibekit.wording import conclusion_words, likelihood, line_words, listed, sentence, unit_words, with_interval

FAR = 0.03  # difference of speed from which heights are not compared
ENOUGH = 3  # readings of a state that show by themselves how far they scatter
TOLD = 3  # changes in the summary, those that stand out most
CLAIMS = (
    "It compares readings taken with the same sensor, at the same place and gain; it says nothing of levels measured otherwise.",
    "An amplitude in parts of full scale is no measure of vibration; only its change is one.",
    "Residual unbalance and grade (ISO 21940-11) hold for the rotor as it was run here, for this fitting of the propeller: taking it off "
    "and putting it back moves it. That standard has no row for small propellers; the grade asked for is the user's choice.",
    "It does not see what makes no vibration: a cracked arm that still holds, a tired pack, a radio. It is no permission to fly.",
)


@dataclass(frozen=True, slots=True)
class LineChange:
    """One order line before and after: means, with the intervals of the readings' own noise.

    repeat: of either, relative half width of the 95 % interval of the mean from what running again does to the line
    """

    before: OrderLine
    after: OrderLine
    repeat: tuple[float, float] = (0.0, 0.0)

    @property
    def u95(self) -> tuple[float, float]:
        """Half width of the 95 % interval of either mean: from noise or from running again, whichever is wider."""
        before, after = (max(line.u95, share * line.amplitude) for line, share in zip((self.before, self.after), self.repeat, strict=True))
        return before, after

    @property
    def decibel(self) -> tuple[float, float]:
        """20 log10 of after over before and its half width, infinite where it is the most that it may be; none where before hides."""
        a, b = self.after, self.before
        if not b.amplitude > 0 or b.at_most is not None:
            return math.nan, math.inf
        if a.at_most is not None or not a.amplitude > 0:
            return self._most(hidden=1), math.inf
        return NEPER_DB * math.log(a.amplitude / b.amplitude), NEPER_DB * math.hypot(self.u95[1] / a.amplitude, self.u95[0] / b.amplitude)

    @property
    def bounded(self) -> bool:
        """The change in dB is known, or at most so much; of a line that hid before it is neither."""
        return math.isfinite(self.decibel[0])

    @property
    def words(self) -> str:
        """What can be said: fell, rose, no change shown, in noise."""
        if all(line.amplitude - line.u95 <= line.floor for line in (self.before, self.after)):
            return "in noise both times"
        change = abs(self.after.amplitude - self.before.amplitude) > math.hypot(self.after.u95, self.before.u95)
        decibel, u95 = self.decibel
        change &= abs(decibel) > u95 or not math.isfinite(u95)
        if math.isinf(u95):
            hidden = int(self.after.amplitude < self.before.amplitude)
            change &= (self.before, self.after)[1 - hidden].at_most is None and self._most(hidden) < 0
        return ("fell" if self.after.amplitude < self.before.amplitude else "rose") if change else "no change shown"

    @property
    def by(self) -> str:
        """By how much it fell or rose, without a sign since the word says the direction; "" where neither is claimed or it is not known."""
        decibel, u95 = self.decibel
        if self.words not in ("fell", "rose") or not self.bounded:
            return ""
        return f"by at least {abs(decibel):.1f} dB" if math.isinf(u95) else f"by {with_interval(abs(decibel), u95, 'dB')}"

    def _most(self, hidden: int) -> float:
        """The most that a line which hides before (0) or after (1) may be beside the other, dB."""
        small, large, u95 = (self.before, self.after)[hidden], (self.before, self.after)[1 - hidden], self.u95[1 - hidden]
        ratio = (small.amplitude + small.u95) / large.amplitude
        return NEPER_DB * (math.log(ratio) + u95 / large.amplitude) if ratio > 0 else -math.inf


@dataclass(frozen=True, slots=True)
class Pair:
    """Readings of one kind (test, sensor, channels) of both visits. before, after: one or more each; setup: as noted, of either."""

    before: tuple[Reading, ...]
    after: tuple[Reading, ...]
    setups: tuple[str, str]

    @property
    def speeds(self) -> tuple[float | None, float | None]:
        """Mean speed of either, rpm."""
        return _mean_rpm(self.before), _mean_rpm(self.after)

    @property
    def doubts(self) -> tuple[str, ...]:
        """Why heights should not be compared, in words."""
        found = []
        slow, fast = self.speeds
        if slow and fast and abs(fast / slow - 1) > FAR:
            found.append(f"The speeds differ: {slow:.0f} and {fast:.0f} rpm. Heights are not to be compared.")
        if self.setups[0] != self.setups[1]:
            found.append(f"The set-ups as noted differ: {self.setups[0] or 'not noted'!r} and {self.setups[1] or 'not noted'!r}.")
        if not all(r.screening.levels_comparable for r in (*self.before, *self.after)):
            found.append("Gain control or another change of level on the way into a file spoils the comparison of heights.")
        return tuple(found)

    @property
    def changes(self) -> tuple[LineChange, ...]:
        """Every line that both have."""
        names = [line.name for line in self.before[-1].orders if any(other.name == line.name for other in self.after[-1].orders)]
        return tuple(
            LineChange(mean_line(self.before, name), mean_line(self.after, name), self._repeat(name)) for name in dict.fromkeys(names)
        )

    @property
    def moved(self) -> tuple[Change, ...]:
        """Every quantity that changed by more than running again explains, what stands out most first; none where heights are in doubt."""
        if self.doubts:
            return ()
        every = changes_between(self.before, self.after, self.after[-1].settings.test)
        return tuple(sorted((c for c in every if abs(c.z) >= CLEAR), key=lambda c: -abs(c.z)))

    @property
    def few(self) -> bool:
        """So few readings on either side that they do not show how far running again moves a line."""
        return min(len(self.before), len(self.after)) < ENOUGH

    def _repeat(self, name: str) -> tuple[float, float]:
        """What running again does to the mean of a line on either side, relative half width of its 95 % interval.

        The scatter is learned from both sides, starting from what the rig knows (moderated t: Smyth, Stat. Appl. Genet. Mol. Biol. 3
        (2004) 3), as in `vibekit.change`: so that two readings that happen to agree, or three that do, are not taken for sure.
        """
        sides = [[line for reading in side for line in reading.orders if line.name == name] for side in (self.before, self.after)]
        settings = self.after[-1].settings
        known = (g for g in LINES if g != "comb" and sides[0][0].order in group(g, settings))
        spread = load_repeatability().of(next(known, "other orders"), settings.test, settings.sensor)
        sizes = [np.array([line.amplitude for line in side]) for side in sides]
        squares = sum(float(((x / x.mean() - 1) ** 2).sum()) for x in sizes if x.mean() > 0)
        freedom = spread.worth + sum(len(x) - 1 for x in sizes)
        one = float(stdtrit(freedom, 0.975)) * math.sqrt((spread.worth * spread.deviation**2 + squares) / freedom)
        before, after = (one / math.sqrt(len(x)) for x in sizes)
        return before, after

    def change(self, name: str) -> LineChange | None:
        """The change of one line, None when it is not there."""
        return next((change for change in self.changes if change.before.name == name), None)


@dataclass(frozen=True, slots=True)
class RoundLine:
    """One round of a balancing job as a row: what was on the rotor, and 1x of it."""

    stage: str
    weights: str
    recordings: int
    amplitude: str
    phase: str


@dataclass(frozen=True, slots=True)
class Balancing:
    """A balancing job for the document.

    left: what is left in each plane; vector, scalar: change of 1x from first to last round as vectors and as sizes, in words
    """

    job: BalanceJob
    rounds: tuple[RoundLine, ...]
    left: tuple[tuple[str, Left], ...]
    verdict: Verdict | None
    vector: str
    scalar: str


@dataclass(frozen=True, slots=True)
class MotorProof:
    """One motor before and after. done: what was done between, by day; about: its parts; ends: what was said of it, where known"""

    position: str
    pairs: tuple[Pair, ...]
    done: tuple[Note, ...] = ()
    about: tuple[Note, ...] = ()
    balancings: tuple[Balancing, ...] = ()
    photos: tuple[Picture, ...] = ()
    ends: tuple[Conclusion | None, Conclusion | None] = (None, None)

    @property
    def main(self) -> Pair | None:
        """The pair that the summary tells: run with its propeller if there is one."""
        return next((pair for pair in self.pairs if pair.after[-1].settings.test == "prop"), self.pairs[0] if self.pairs else None)


@dataclass(frozen=True, slots=True)
class Proof:
    """The whole document. notes, photos: what the user adds; pictures are of the whole job, not of one motor"""

    title: str
    made_at: datetime
    engine: str
    before: str
    after: str
    motors: tuple[MotorProof, ...]
    about: tuple[Note, ...] = ()
    notes: tuple[str, ...] = ()
    photos: tuple[Picture, ...] = ()
    cautions: tuple[str, ...] = ()
    missing: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if not self.motors and self.before > self.after:
            raise UsageError(f"before is {self.before}, which lies later than after, {self.after}; give them the other way round")
        if not self.motors:
            days = f"both on {self.before} and on {self.after}"
            why = f" ({'; '.join(self.missing)})" if self.missing else ""
            raise UsageError(f"no motor of {self.title} has readings {days}{why}; `vibekit archive show` lists what is kept")


def mean_line(readings: Sequence[Reading], name: str) -> OrderLine:
    """Give the mean of one line over readings, with the interval of their noise."""
    lines = [line for reading in readings for line in reading.orders if line.name == name]
    size, floor = (float(np.mean(values)) for values in zip(*((line.amplitude, line.floor) for line in lines), strict=True))
    u95 = float(np.linalg.norm([line.u95 for line in lines])) / len(lines)
    return OrderLine(lines[0].order, name, size, u95, lines[0].unit, floor)


def _mean_rpm(readings: Sequence[Reading]) -> float | None:
    known = [reading.speed.rpm for reading in readings if reading.speed.rpm]
    return sum(known) / len(known) if len(known) == len(readings) else None


def balancing_of(job: BalanceJob) -> Balancing:
    """Give a balancing job for the document."""
    found = solve(job) if job.whole else None
    first, last = job.whole[0], job.whole[-1]
    vector, scalar = _changes(job, first, last) if last is not first else ("", "")
    return Balancing(
        job,
        tuple(_row(job, round_) for round_ in job.whole),
        tuple((answer.plane, answer.left) for answer in found.planes) if found else (),
        judge_balance(job, found) if found and last.stage == "check" else None,
        vector,
        scalar,
    )


def summary_words(motor: MotorProof) -> str:
    """Say in a sentence what became of a motor."""
    change = motor.main.change("1x") if motor.main else None
    if change is None or motor.main is None:
        return "1x was not measured both times."
    if motor.main.doubts:
        return motor.main.doubts[0]
    before, after = (line_words(line, u95) for line, u95 in zip((change.before, change.after), change.u95, strict=True))
    share = f", {with_interval(*change.decibel, 'dB')}" if change.words not in ("fell", "rose") and change.bounded else ""
    said = {"no change shown": "shows no change", "in noise both times": "lies in noise both times"}.get(change.words, change.words)
    return f"1x {f'{said} {change.by}'.strip()}: {before} before, {after} after{share}."


def verdict_words(motor: MotorProof) -> str:
    """Say what was said of a motor before and after; "" where either is not known."""
    before, after = motor.ends
    return f"Before: {_end_words(before)}. After: {_end_words(after)}." if before and after else ""


def _end_words(end: Conclusion) -> str:
    return f"{conclusion_words(end)}{f', {likelihood(end.probability)}' if end.hurt else ''}"


def moved_words(motor: MotorProof) -> str:
    """Say what changed most, over all tests, but for 1x where `summary_words` tells of it."""
    once = motor.main.change("1x") if motor.main else None
    every_moved = [(c, pair) for pair in motor.pairs for c in pair.moved]
    moved = [(c, pair.after[-1].settings.test) for c, pair in every_moved if not (once and pair is motor.main and c.name == "1x")]
    every = sorted(moved, key=lambda each: -abs(each[0].z))
    if not every:
        nothing = f"Nothing{' else' if once and once.words in ('fell', 'rose') else ''} changed beyond what running again does by itself."
        return "" if any(pair.doubts for pair in motor.pairs) else nothing
    told = [change_words(c) + (f" ({test})" if test and len(motor.pairs) > 1 else "") for c, test in every[:TOLD]]
    more = f", and {len(every) - TOLD} more" if len(every) > TOLD else ""
    return f"Changed: {', '.join(told)}{more}."


def weight_words(weights: Sequence[Weight]) -> str:
    """Say what is on the rotor."""
    said = [f"{w.mass_g:.3g} g at {w.spot.name} ({w.spot.radius_mm:g} mm)" for w in weights if w.mass_g > 0]
    off = [f"{-w.mass_g:.3g} g off at {w.spot.name} ({w.spot.radius_mm:g} mm)" for w in weights if w.mass_g < 0]
    return listed([*said, *off]) or "nothing"


def _row(job: BalanceJob, round_: Round) -> RoundLine:
    seen = level(job, round_)
    size = abs(seen.value)
    phase = ""
    if job.method == "phase" and size:
        turn = math.degrees(math.asin(min(seen.u95 / size, 1.0)))
        phase = f"{math.degrees(math.atan2(seen.value.imag, seen.value.real)) % 360:.1f} ± {turn:.1f}°"
    amplitude = with_interval(size, seen.u95, seen.unit)
    return RoundLine(sentence(round_.stage), weight_words(round_.weights), len(round_.takes), amplitude, phase)


def _changes(job: BalanceJob, first: Round, last: Round) -> tuple[str, str]:
    before, after = level(job, first), level(job, last)
    both = math.hypot(before.u95, after.u95)
    unit = unit_words(before.unit)
    vector = with_interval(abs(after.value - before.value), both, unit) if job.method == "phase" else ""
    return vector, with_interval(abs(after.value) - abs(before.value), both, unit)
