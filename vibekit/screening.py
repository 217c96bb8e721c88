"""Is this recording fit to judge?"""

from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "warning", "stop"]


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
