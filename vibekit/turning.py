"""The four ways to turn a motor for measuring: each with its cautions, its test plan and its limits."""

from dataclasses import dataclass
from typing import Literal

from vibekit.settings import Test

Turned = Literal["all-idling", "maker-single-motor", "bench-controller", "by-hand"]
USUAL = "20 s"  # as the plans below say it


@dataclass(frozen=True, slots=True)
class Step:
    """One measurement of a plan: the test it is recorded as, and how to do it for the usual time."""

    test: Test
    how: str

    def how_for(self, seconds: float | None) -> str:
        """How to do it for that time; for the usual one where None is stated."""
        return self.how if seconds is None else self.how.replace(USUAL, f"{seconds:g} s")


@dataclass(frozen=True, slots=True)
class Way:
    """How a motor is turned.

    title: in words; cautions: to be read before the first step; plan: the measurements in order; limits: what it cannot tell
    """

    code: Turned
    title: str
    cautions: tuple[str, ...]
    plan: tuple[Step, ...]
    limits: tuple[str, ...]


ADVICE = "The maker's instructions, local rules and licensed practice come before anything said here."
HANDS = (
    "Battery out and propellers off while hands are near; fit them again only for the test that needs them.",
    "Stop at a smell, at heat, or at any swelling of a lithium pack: put it outdoors, away from anything that burns.",
)
POWER = (
    "Craft or arm clamped so that it can neither lift nor turn; the clamp tried by hand before power is given.",
    "Eye protection on, no loose sleeves, hair or cables; hearing protection for long runs.",
    "A way to cut the power from afar, tried first with the propellers off.",
)
BLADES = (
    "Propeller on only behind a guard; nobody in its plane, neither beside the craft nor above it.",
    "Look at each blade before each run: one that is nicked, cracked or whitened is not run at all.",
)
_SPIN = Step("hand-spin", "Propeller off, battery out: flick each motor by hand and record until it stands still; three times each.")

WAYS: dict[Turned, Way] = {
    way.code: way
    for way in (
        Way(
            "all-idling",
            "all rotors idling, the craft held down",
            (
                *HANDS,
                *POWER,
                "A flight controller that is armed while held may raise the speed by itself, and go on raising it: "
                "never hold the craft by hand, and keep the thumb on disarm.",
                *BLADES,
            ),
            (
                _SPIN,
                Step("bare", f"Propellers off, armed at idle: {USUAL} beside each motor in turn, the sensor held the same way on each."),
                Step("prop", f"Propellers on, guarded, armed at idle: {USUAL} beside each motor in turn, no more throttle than idle."),
            ),
            (
                "all motors turn at once, so each recording hears the others; a motor is told from them only where their speeds differ",
                "idle is slow: unbalance grows with speed squared and may not show yet",
                "no run-up, so a resonance cannot be told from a fault",
            ),
        ),
        Way(
            "maker-single-motor",
            "one motor at a time by the maker's own function",
            (
                *HANDS,
                *POWER,
                "Make sure which motor the function will turn, and how fast, before the first start: try it with all propellers off.",
                "Propellers on only if the maker's instructions allow it for this function.",
                *BLADES,
            ),
            (
                _SPIN,
                Step("bare", f"Propeller off: each motor alone for {USUAL} at the speed that the function gives."),
                Step("prop", f"Only if the maker allows it: propeller on, guarded, each motor alone for {USUAL}."),
            ),
            (
                "the speed is the maker's and often not shown: it is estimated from the recording, or taken with a tacho",
                "mostly one speed only, so how a line grows with speed stays open",
            ),
        ),
        Way(
            "bench-controller",
            "one motor at a time with a bench controller and a current-limited supply",
            (
                *HANDS,
                *POWER,
                "Supply's current limit set before connecting: a little above the motor's no-load current for bare runs.",
                "Unplug the craft's own controller from the motor first; two controllers on one winding destroy each other.",
                *BLADES,
            ),
            (
                _SPIN,
                Step("bare", f"Propeller off: {USUAL} at each of three speeds, the highest near that of hover."),
                Step(
                    "prop",
                    f"Propeller on, guarded: {USUAL} at the same three speeds; then refit the propeller twice, measuring each time.",
                ),
                Step("run-up", f"Propeller on, guarded: from the lowest steady speed to that of hover in {USUAL}, evenly."),
            ),
            ("the bench holds the motor otherwise than the craft does: resonances of arm and frame do not show",),
        ),
        Way(
            "by-hand",
            "by hand only",
            HANDS,
            (_SPIN,),
            (
                "nothing at working speed: unbalance, blade damage, looseness and electrical faults cannot be told",
                "a bearing is judged by how it coasts and clicks, not by its defect orders",
            ),
        ),
    )
}
