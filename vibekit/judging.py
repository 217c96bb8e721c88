"""Several recordings judged together: one motor over its tests and speeds, or the motors of a craft beside each other."""

from collections.abc import Sequence
from dataclasses import dataclass

from vibekit.agreement import unless_shared
from vibekit.diagnosis import Hint, conclude_craft, diagnose
from vibekit.finding import Diagnosis
from vibekit.frame_evidence import frame_hints
from vibekit.reading import Reading
from vibekit.spin_evidence import spin_hints


@dataclass(frozen=True, slots=True)
class Judgement:
    """What each recording says alone, and what all say together.

    each: (reading, its own diagnosis), in the order given; together: the diagnosis of all
    """

    each: tuple[tuple[Reading, Diagnosis], ...]
    together: Diagnosis

    @property
    def usable(self) -> bool:
        """At least one recording could be judged."""
        return any(reading.screening.usable for reading, _ in self.each)


def judge_motor(
    readings: Sequence[Reading], *, references: Sequence[Reading] = (), hints: Sequence[Hint] = (), position: str | None = None
) -> Judgement:
    """One motor at several speeds, tests or repeats. references: healthy recordings of the same set-up."""
    each = tuple((r, diagnose([r], references=references, position=position)) for r in readings)
    together = each[0][1] if len(each) == 1 and not hints else diagnose(readings, references=references, hints=hints, position=position)
    return Judgement(each, together)


def judge_craft(readings: Sequence[Reading], positions: Sequence[str], *, references: Sequence[Reading] = ()) -> Judgement:
    """The motors of one craft, a reading each. Without references each is compared with the others."""
    each, drags = [], spin_hints({position: (reading,) for position, reading in zip(positions, readings, strict=True)})
    for i, (reading, position) in enumerate(zip(readings, positions, strict=True)):
        others = [r for k, r in enumerate(readings) if k != i]
        hints = (*frame_hints([reading]), *(drags[p] for p in (position,) if p in drags))
        diagnosis = diagnose([reading], references=references or others, peers=not references, hints=hints, position=position)
        each.append((reading, diagnosis))
    by_position = {position: d for position, (_, d) in zip(positions, each, strict=True)}
    if not references:
        by_position = unless_shared(by_position)
        each = [(reading, by_position[position]) for position, (reading, _) in zip(positions, each, strict=True)]
    findings = sorted((f for d in by_position.values() for f in d.findings), key=lambda f: (f.condition == "healthy", -f.probability))
    return Judgement(tuple(each), Diagnosis(tuple(findings), conclude_craft(by_position)))
