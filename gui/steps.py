"""How long work says how far it is, and how it learns that nobody waits for it any more."""

from collections.abc import Callable

Step = Callable[[float, str], None]  # (share done from 0 to 1, what is being done); raises StoppedError when the work is to end


class StoppedError(Exception):
    """The work was cancelled, or newer work of the same kind took its place."""


def quietly(share: float, doing: str) -> None:
    """A Step for work that nobody watches."""
