"""One entry of a description: what it may hold, how to ask for it, and what not knowing it leaves open."""

import math
from dataclasses import dataclass, field, fields
from typing import Any

from vibekit.errors import UsageError

YES = {"yes", "y", "true"}
NO = {"no", "n", "false"}


@dataclass(frozen=True, slots=True)
class Fact:
    """What an entry may hold.

    kind: str, bool, int or float; question: as asked on the terminal; opens: what stays open while it is not known, "" when nothing
    low, high: range of a number, both allowed; even: only even numbers; choices: allowed words
    """

    kind: type
    question: str
    opens: str = ""
    low: float = -math.inf
    high: float = math.inf
    even: bool = False
    choices: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """What is allowed, in words."""
        if self.choices:
            return "one of " + ", ".join(map(repr, self.choices))
        if self.kind is bool:
            return "yes or no"
        if self.kind is str:
            return "text"
        number = ("an even number" if self.even else "a whole number") if self.kind is int else "a number"
        return f"{number} from {self.low:g} to {self.high:g}"

    def check(self, name: str, value: object) -> Any:
        """Give the value as this entry keeps it. Raises UsageError."""
        number = isinstance(value, int | float) and not isinstance(value, bool)
        fits = (number and math.isfinite(value)) if self.kind is float else (type(value) is self.kind)  # type: ignore[arg-type]
        if fits and self.kind in (int, float):
            fits = self.low <= value <= self.high and not (self.even and value % 2)  # type: ignore[operator]
        if not fits or (self.choices and value not in self.choices):
            raise UsageError(f"{name} is {_shown(value)}; it must be {self.allowed}")
        return self.kind(value)

    def read(self, name: str, text: str) -> Any:
        """Give the value that was typed. Raises UsageError."""
        word = text.strip()
        if self.choices:
            return self.check(name, one_of(word, self.choices))
        if self.kind is bool:
            return self.check(name, word.lower() in YES if word.lower() in YES | NO else word)
        try:
            value = self.kind(word)
        except ValueError:
            value = word
        return self.check(name, value)


def fact(
    kind: type,
    question: str,
    opens: str = "",
    *,
    low: float = -math.inf,
    high: float = math.inf,
    even: bool = False,
    choices: tuple[str, ...] = (),
) -> Any:
    """Give a dataclass field that is None until known and carries its Fact."""
    return field(default=None, metadata={"fact": Fact(kind, question, opens, low, high, even, choices)})


def facts(kind: type) -> dict[str, Fact]:
    """Give the entries of a dataclass that carry a Fact, in order."""
    return {f.name: f.metadata["fact"] for f in fields(kind) if "fact" in f.metadata}


def check_facts(described: Any) -> None:
    """Check all entries of a frozen dataclass; to be called from its __post_init__. Raises UsageError."""
    for name, entry in facts(type(described)).items():
        value = getattr(described, name)
        if value is not None:
            object.__setattr__(described, name, entry.check(name, value))


def one_of(word: str, choices: tuple[str, ...]) -> str:
    """Give the choice that `word` names: by its number counted from 1, in full, or by a beginning that only one has; else `word` itself."""
    if word.isdecimal() and 1 <= int(word) <= len(choices):
        return choices[int(word) - 1]
    begun = [choice for choice in choices if word and choice.startswith(word.lower())]
    return word.lower() if word.lower() in choices else begun[0] if len(begun) == 1 else word


def _shown(value: object) -> str:
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else repr(value)
