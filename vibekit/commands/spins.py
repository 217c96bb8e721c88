"""Motors spun by hand, side by side, on the terminal."""

from collections.abc import Mapping, Sequence
from typing import Any

from vibekit.reading import Reading


def spins_side_by_side(motors: Mapping[str, Sequence[Reading]]) -> dict[str, Any]:
    """Give the field "hand_spin" of a result about several motors; nothing where fewer than two have a coast time."""
    from vibekit.spin_comparison import compare_spins, spins_json

    comparison = compare_spins(motors)
    return {"hand_spin": spins_json(comparison)} if comparison else {}


def show_spins(motors: Mapping[str, Sequence[Reading]]) -> None:
    """Print coast time, drag against the others and clicks of each motor, and what follows; nothing for fewer than two motors."""
    import textwrap

    from vibekit.commands.show import WIDEST
    from vibekit.handspin import FROM_RPM, TO_RPM
    from vibekit.spin_comparison import compare_spins, conclusion_words
    from vibekit.wording import with_interval

    comparison = compare_spins(motors)
    if comparison is None:
        return
    print(f"Spun by hand, side by side: from {FROM_RPM:.0f} to {TO_RPM:.0f} rpm")
    wide = max(len(m.position) for m in comparison.motors)
    for m in comparison.motors:
        flicks = f"{m.flicks} flick{'s' * (m.flicks > 1)}"
        clicks = f", clicks {with_interval(m.clicks.value, m.clicks.u95, 'a turn')}" if m.clicks else ""
        drag = f"drag {m.ratio:.2f} times the others' ({m.ratio_low:.2f} to {m.ratio_high:.2f})"
        print(f"  {m.position:{wide}}  {with_interval(m.seconds, m.u95, 's')} ({flicks}), {drag}{clicks}")
    said = f"{conclusion_words(comparison)} One flick repeats within {100 * comparison.repeat:.0f} % (standard deviation)."
    same = "Friction of the bearings and hysteresis of the iron slow a motor alike: the drag alone does not part them."
    for text in (said, same):
        print(textwrap.fill(text, WIDEST, initial_indent="  ", subsequent_indent="  "))
