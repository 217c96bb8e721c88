"""The palette and the marks of states, as plain data for terminal, window, report and plots.

A state is told by its word and its shape first and by its colour second. Each colour has a contrast of at least 3:1
with its paper, the four states differ in lightness as well as in hue, and text is always set in `ink` or `muted`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from vibekit.finding import Conclusion

Theme = Literal["light", "dark"]


@dataclass(frozen=True, slots=True)
class Ink:
    """One colour of the palette, "#rrggbb" on light and on dark paper. `light` is unique, so that it can stand for the name."""

    light: str
    dark: str


PALETTE: dict[str, Ink] = {
    "paper": Ink("#ffffff", "#15181c"),
    "ink": Ink("#1b1e23", "#e9e7e2"),
    "muted": Ink("#595d63", "#a9adb3"),
    "rule": Ink("#d3d6da", "#3a3f46"),
    "no-fault-found": Ink("#1a609f", "#3f86cc"),
    "watch": Ink("#bd8700", "#f6cf68"),
    "act": Ink("#861a16", "#ff9680"),
    "cannot-tell": Ink("#7b7b80", "#96969e"),
    "this": Ink("#12395c", "#9cc8f2"),
    "baseline": Ink("#b25a14", "#f0a35e"),
    "others": Ink("#c3c9d0", "#4a525c"),
}


@dataclass(frozen=True, slots=True)
class State:
    """How a motor, or the whole craft, stands.

    code: also the name of its colour in PALETTE; words: as written beside the mark
    fill, dashed: the mark is a ring, filled not at all, in its left half or wholly, its line dashed or not
    glyph: the same mark as one character; letters: the same in ASCII
    style: for rich; rank: 0 is the most pressing
    """

    code: str
    words: str
    fill: Literal["none", "half", "full"]
    dashed: bool
    glyph: str
    letters: str
    style: str
    rank: int


ACT = State("act", "act", "full", False, "●", "(#)", "bold red", 0)
WATCH = State("watch", "watch", "half", False, "◐", "(=)", "bold yellow", 1)
CANNOT_TELL = State("cannot-tell", "cannot tell", "none", True, "◌", "(?)", "bold", 2)
NO_FAULT_FOUND = State("no-fault-found", "no fault found", "none", False, "○", "( )", "bold blue", 3)
STATES = (ACT, WATCH, CANNOT_TELL, NO_FAULT_FOUND)


def state_of(conclusion: Conclusion | None) -> State:
    """Give the state that a conclusion puts its motor in; cannot tell when there is none.

    A fault whose action is to measure again is to be watched, as is one that nobody can name; one whose action is work on a part is to be
    acted on.
    """
    if conclusion is None or conclusion.condition == "undecided":
        return WATCH if conclusion and conclusion.odd else CANNOT_TELL
    if conclusion.condition == "healthy":
        return NO_FAULT_FOUND
    return WATCH if conclusion.action.lower().startswith(("measure", "watch")) else ACT


def most_pressing(states: Iterable[State]) -> State:
    """Give the state of lowest rank; cannot tell when there is none."""
    return min(states, key=lambda state: state.rank, default=CANNOT_TELL)


def mark_for(state: State, encoding: str = "utf-8") -> str:
    """Write the mark in characters that `encoding` can write."""
    try:
        state.glyph.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return state.letters
    return state.glyph


def shape_of(state: State) -> str:
    """Draw the mark as SVG elements in a 16 by 16 box, in currentColor."""
    if state.fill == "full":
        return '<circle cx="8" cy="8" r="7" fill="currentColor"/>'
    dash = ' stroke-dasharray="2.7 2.012"' if state.dashed else ""  # eight dashes around 2 pi 6
    ring = f'<circle cx="8" cy="8" r="6" fill="none" stroke="currentColor" stroke-width="2"{dash}/>'
    return ring + '<path d="M8 2a6 6 0 0 0 0 12z" fill="currentColor"/>' if state.fill == "half" else ring


def colours(theme: Theme = "light") -> dict[str, str]:
    """Give the palette on one paper, name to "#rrggbb"."""
    return {name: ink.dark if theme == "dark" else ink.light for name, ink in PALETTE.items()}
