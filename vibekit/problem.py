"""What screening finds: problems of a recording, each with what it means and what to do."""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "warning", "stop"]
CHANGES_LEVELS = frozenset({"clipping", "gain-control", "held-samples", "noise-suppression", "processed", "upsampled", "voice-band"})


@dataclass(frozen=True, slots=True)
class Problem:
    """Something about a recording that limits what it can say.

    code: short name ("clipping", "drop-out" ...)
    severity: note (good to know), warning (some numbers suffer), stop (no verdict can be given)
    detail: what it means and what to do, one sentence each
    """

    code: str
    severity: Severity
    detail: str


@dataclass(frozen=True, slots=True)
class Screening:
    """All problems found; `usable` unless one of them is a stop."""

    problems: tuple[Problem, ...] = ()

    @property
    def usable(self) -> bool:
        """No problem forbids a verdict."""
        return all(problem.severity != "stop" for problem in self.problems)

    @property
    def levels_comparable(self) -> bool:
        """Levels may be compared within one set-up: nothing changed the gain or cut the signal on its way into the file."""
        return not any(p.code in CHANGES_LEVELS and p.severity != "note" for p in self.problems)
