"""Who is let in: the first phone that brings the token, and from then on that phone only."""

import hmac
import secrets
from dataclasses import dataclass, field
from typing import Literal

Entry = Literal["in", "used", "wrong"]


@dataclass(slots=True)
class Door:
    """A token of 128 bits that opens once, and the pass that is then given for it; both compared in constant time."""

    token: str = field(default_factory=lambda: secrets.token_urlsafe(16))
    used: bool = False
    _pass: str = field(default_factory=lambda: secrets.token_urlsafe(32))

    def enter(self, token: str) -> tuple[Entry, str]:
        """Give ("in", the pass) to the first who brings the token, later ("used", ""); else ("wrong", "")."""
        if not _same(token, self.token):
            return "wrong", ""
        if self.used:
            return "used", ""
        self.used = True
        return "in", self._pass

    def knows(self, shown: str) -> bool:
        """Say whether this is the pass that was given out."""
        return _same(shown, self._pass) and self.used


def _same(given: str, own: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "surrogatepass"), own.encode())
