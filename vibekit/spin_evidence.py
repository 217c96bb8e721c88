"""What motors spun by hand say of each other, beside what each recording says."""

from collections.abc import Mapping, Sequence

from vibekit.diagnosis import Hint
from vibekit.questions import STRONG, question_of
from vibekit.reading import Reading
from vibekit.spin_comparison import compare_spins

FELT = "motor-turn"  # question of the eye-and-hand check that asks for the same


def spin_hints(motors: Mapping[str, Sequence[Reading]]) -> dict[str, Hint]:
    """Give for each motor that drags what that speaks for: what a stiff one felt by hand does, more strongly since it was measured.

    motors: position -> its readings; those that do not drag, or were not spun, have none
    """
    comparison = compare_spins(motors)
    causes = question_of(FELT).choice("stiff").speaks_for
    return {
        m.position: Hint(
            f"spun by hand: {m.ratio:.1f} times the drag of the others (95 %: {m.ratio_low:.1f} to {m.ratio_high:.1f})",
            dict.fromkeys(causes, STRONG),
        )
        for m in (comparison.dragging if comparison else ())
    }
