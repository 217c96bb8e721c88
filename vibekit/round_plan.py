"""What one person does for a round, by the way in which this craft's motors are turned."""

from collections.abc import Sequence

from vibekit.settings import Test
from vibekit.turning import Turned

ROUNDS = 2
REST_S = 3.0  # of quiet between two runs
OPENING_S = 8.0  # background and knock
SLACK_S: dict[Turned | None, float] = {
    "all-idling": 45.0,
    "bench-controller": 35.0,
}  # between two runs at most: plugs, arming, a sensor moved
USUAL_SLACK_S = 15.0
EACH: dict[Turned, str] = {
    "all-idling": "All rotors turn at once here, so the sensor goes round: battery out, fix the sensor beside it, stand back, battery "
    "in, arm, {run:g} s at idle, disarm, battery out. Each run hears the other rotors, too.",
    "maker-single-motor": "Start the maker's function for the rotor alone, {run:g} s, let it stop, then {rest:g} s of quiet.",
    "bench-controller": "Supply off, plug in the rotor, supply on, up to the same speed each time, {run:g} s steady, down, off, then "
    "{rest:g} s of quiet.",
    "by-hand": "Battery out, propeller off: flick the motor, let it stand still, then {rest:g} s of quiet.",
}
UNKNOWN = "Run the rotor alone, at the same speed each time, {run:g} s steady, stop it, then {rest:g} s of quiet."


def steps(turned: Turned | None, positions: Sequence[str], test: Test | None, run_s: float) -> tuple[str, ...]:
    """Give what to do, a sentence or two each. A motor flicked by hand has no speed to hold."""
    each = EACH["by-hand"] if test == "hand-spin" else EACH.get(turned, UNKNOWN) if turned else UNKNOWN
    return (
        "Keep still for 5 s: the background is recorded.",
        "Knock once on the sensor.",
        f"{each.format(run=run_s, rest=REST_S)} In this order: {', '.join(positions)}.",
        "The same round again, in the same order.",
    )


def longest_s(turned: Turned | None, rotors: int, run_s: float) -> float:
    """Give after how long a round ends by itself, if nobody ends it sooner."""
    return OPENING_S + ROUNDS * rotors * (run_s + REST_S + SLACK_S.get(turned, USUAL_SLACK_S))
