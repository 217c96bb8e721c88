"""One conclusion for a craft, by action: what to do first, what else is suspect, what was not tested, what to measure next."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from vibekit.finding import Conclusion, Diagnosis
from vibekit.marks import ACT, NO_FAULT_FOUND, WATCH, state_of
from vibekit.reading import Reading
from vibekit.settings import TESTS
from vibekit.wording import TEST_WORDS, action_words, conclusion_words, condition_words, likelihood, listed, sentence

# what can leave its place while it turns is acted on first (common practice, no source)
LOOSE_FIRST = ("loose-propeller", "blade-damage", "loose-mount")
DO_NOT_FLY = "Do not fly."
AGAIN = "again"  # next measurement of a motor that was worked on and not measured since: it comes before any other
MEASURE_FIRST = "measure before work on it"
LIKELY_TOO = 0.25  # an explanation of a motor at least this probable is suspect, too, though another was concluded or none


@dataclass(frozen=True, slots=True)
class Suspect:
    """A part to act on, or one that is not cleared. what: in words, with how sure; action: what to do"""

    position: str
    what: str
    action: str


@dataclass(frozen=True, slots=True)
class CraftVerdict:
    """What the bench says of a craft.

    fault: something is to be acted on or watched; open: nothing is, but something cannot be told
    acts: what to act on, most pressing first; also: what else is suspect
    not_tested: in words; next_position, next_step: the measurement expected to tell most of a suspect, "" where none is worth naming
    """

    fault: bool
    open: bool
    acts: tuple[Suspect, ...]
    also: tuple[Suspect, ...]
    not_tested: tuple[str, ...]
    next_position: str
    next_step: str

    @property
    def words(self) -> str:
        """The verdict itself: never a permission."""
        left = listed(self.not_tested) or "everything that these tests cannot show"
        if self.fault:
            return DO_NOT_FLY
        if self.open:
            return f"{DO_NOT_FLY} What was measured cannot tell yet; not tested: {left}."
        return f"No fault found by these tests; not tested: {left}."


def craft_verdict(
    motors: Mapping[str, Diagnosis],
    readings: Mapping[str, Sequence[Reading]],
    looked: Collection[str] = (),
    way_tests: Collection[str] = TESTS,
) -> CraftVerdict:
    """Conclude a craft from the diagnosis of each motor.

    readings: of each motor; looked: motors that were looked at and felt; way_tests: kinds of test that this craft can do
    """
    ends = {position: d.conclusion for position, d in motors.items()}
    faults = sorted((p for p, end in ends.items() if state_of(end) in (ACT, WATCH)), key=lambda p: pressing(ends[p]))
    acts = [Suspect(p, _what(motors[p]), MEASURE_FIRST if ends[p].odd else action_words(ends[p])) for p in faults]
    cleared = [p for p, end in ends.items() if state_of(end) is NO_FAULT_FOUND]
    again = [p for p, end in ends.items() if end.next_measurement == AGAIN]
    also = [s for p, d in motors.items() if p not in (*cleared, *again) for s in _not_cleared(p, d)]
    next_position, next_step = _next(ends, again, [*faults, *(s.position for s in also)], cleared)
    return CraftVerdict(
        bool(faults),
        len(cleared) < len(ends),
        tuple(acts),
        tuple(also),
        tuple(_not_tested(readings, looked, way_tests)),
        next_position,
        next_step,
    )


def _next(ends: Mapping[str, Conclusion], again: Sequence[str], suspects: Collection[str], cleared: Collection[str]) -> tuple[str, str]:
    """Where to measure next, and what: what was worked on; then a suspect; then what is open; where nothing is, what is cleared."""
    if len(again) > 1:
        return listed(again), "Measure them again in the same way: they were worked on, and nothing was measured since."
    worth = again or [p for p, end in ends.items() if end.next_bits > 0 and not (suspects and p in cleared)]
    if not worth:
        return "", ""
    best = max(worth, key=lambda p: (p in suspects, p not in cleared, ends[p].next_bits))
    return best, ends[best].next_step


def pressing(end: Conclusion) -> tuple[int, float]:
    """Sorts faults: what may come off first, then the surest; last what cannot be named."""
    return (end.condition not in LOOSE_FIRST) + end.odd, -end.probability


def _what(diagnosis: Diagnosis) -> str:
    """What is wrong and how surely; of what cannot be named the likeliest explanations."""
    end = diagnosis.conclusion
    may_be = [condition_words(f.condition) for f in diagnosis.findings if f.probability >= LIKELY_TOO and f.condition != "healthy"]
    named = f"; {' or '.join(may_be)}" if end.odd and may_be else ""
    return f"{conclusion_words(end)}: {likelihood(end.probability)}{named}"


def _not_cleared(position: str, diagnosis: Diagnosis) -> Iterable[Suspect]:
    """Explanations that are neither the conclusion nor unlikely."""
    end = diagnosis.conclusion
    for finding in () if end.odd else diagnosis.findings:
        if finding.probability >= LIKELY_TOO and finding.condition not in ("healthy", end.condition, *end.also):
            meant = Conclusion(finding.condition, finding.probability, position, finding.part, finding.action)
            yield Suspect(position, f"{conclusion_words(meant)}: {likelihood(finding.probability)}", MEASURE_FIRST)


def _not_tested(readings: Mapping[str, Sequence[Reading]], looked: Collection[str], way_tests: Collection[str]) -> Iterable[str]:
    every = set(readings)
    for test in TESTS:
        lacking = {p for p, made in readings.items() if not any(r.settings.test == test and r.screening.usable for r in made)}
        if lacking:
            where = "" if lacking == every else f" ({listed([p for p in readings if p in lacking])})"
            cannot = "" if test in way_tests or test == "flight" else " (this craft cannot)"
            yield f"{TEST_WORDS[test]}{where}{cannot}"
    unseen = [p for p in readings if p not in looked]
    if unseen:
        yield f"by eye and hand{'' if set(unseen) == every else f' ({listed(unseen)})'}"


def suspect_words(suspect: Suspect) -> str:
    """Say what to do with a suspect part, and why."""
    return f"{suspect.position}: {suspect.action} ({sentence(suspect.what)})"
