"""What a flight shows of its rotors beside each other, the number of their blades said or not."""

from vibekit.blade_count import blade_chances, if_blades
from vibekit.dominance import NO_OTHER, Band, Spans, loudest_rotor, only_one
from vibekit.hover import ROTORS_APART
from vibekit.problem import Problem
from vibekit.reading import Quantity
from vibekit.transform import Transform

ONLY_ONE = Problem(
    "one-rotor", "warning",
    "Only one rotor is heard, as on a bench: it was not held against others. If one motor ran by itself, say --test prop, or --test bare "
    "where it had no propeller; if it was a flight, put the sensor between the arms.",
)  # fmt: skip


def rotors_beside(heard: Transform, mean_hz: float, top_hz: float, blades: int | None, apart_s: Spans = ()) -> tuple[Quantity, ...]:
    """How far one rotor stands over the others in 1x, and its speed, or that no other is heard; nothing where the recording is too short.

    heard: one channel; mean_hz: of the rotors; top_hz: up to which the recording is trusted; apart_s: what of it holds no craft
    Where the blades were not said: by the beats of 1x alone, and then for each number of blades that the lines leave, with its chance.
    """

    def band(order: int) -> Band | None:
        within = (1 + ROTORS_APART) * order * mean_hz < top_hz
        return Band.about(heard, order, mean_hz, ROTORS_APART, apart_s) if within else None

    one = band(1)
    passes: dict[int, Band | None] = {blades: band(blades) if blades > 1 else None} if blades else {}
    found = loudest_rotor(one, passes[blades] if blades else None, blades or 1) if one else ()
    if one is None or not found:
        return ()
    chances = {} if blades else blade_chances(heard, mean_hz, top_hz, apart_s)
    passes |= {n: band(n) if n > 1 else None for n in chances}
    likeliest, passed = next(iter(passes.items()))
    if passed and only_one(one, passed, likeliest):
        return (Quantity(NO_OTHER, 1.0, 0.0, "1"),)
    return (*found, *(q for n, chance in chances.items() for q in if_blades(n, chance, loudest_rotor(one, passes[n], n))))
