"""What a tap test says for and against a resonance, beside what the recordings say."""

import math
from collections.abc import Sequence

from vibekit.diagnosis import Hint
from vibekit.reading import Reading
from vibekit.screen.near_mode import STEADY, mode_words, near_orders

# chance that a mode amplifies 1x: where resonance is what is wrong, and by accident on any craft (common practice, no source)
RESONANT, BY_ACCIDENT = 0.9, 0.15


def frame_hints(readings: Sequence[Reading]) -> tuple[Hint, ...]:
    """Whether 1x of steady readings of one motor lies on a mode of the frame; empty where no tap test was made."""
    steady = [r for r in readings if r.settings.modes and r.settings.test in STEADY and r.speed.rpm and r.screening.usable]
    if not steady:
        return ()
    near = [(hz, mode) for r in steady for name, hz, mode in near_orders(r.settings, r.speed) if name == "1x"]
    if not near:
        text = "tap test: no mode of the frame lies near 1x, so a high 1x is not the frame's doing"
        return (Hint(text, {"resonance": math.log10((1 - RESONANT) / (1 - BY_ACCIDENT))}),)
    hz, mode = max(near, key=lambda pair: pair[1].amplification(pair[0]))
    times = mode.amplification(hz)
    text = f"tap test: 1x ({hz:.1f} Hz) lies on the frame's mode at {mode_words(mode)}, which amplifies it {times:.0f} times"
    return (Hint(text, {"resonance": math.log10(RESONANT / BY_ACCIDENT)}),)
