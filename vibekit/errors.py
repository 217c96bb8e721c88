"""What can go wrong for a user.

VibekitError
├── UsageError       a value given is not allowed (exit status 2)
└── UnreadableError  a file cannot be read as what it should be (exit status 2)

A recording that reads but cannot be judged is no error: its screening says so (exit status 1).
Each message is one line that names the value, what is allowed and what to do.
"""

from collections.abc import Iterable


class VibekitError(Exception):
    """Root of everything the kit raises on purpose."""


class UsageError(VibekitError, ValueError):
    """A value given by the user is not allowed."""


class UnreadableError(VibekitError, OSError):
    """A file or device gave nothing that can be used."""


def check_choice(name: str, value: str, allowed: Iterable[str]) -> None:
    """Raise UsageError unless `value` is one of `allowed`."""
    allowed = list(allowed)
    if value not in allowed:
        raise UsageError(f"{name} is {value!r}; choose one of {', '.join(map(repr, allowed))}")
