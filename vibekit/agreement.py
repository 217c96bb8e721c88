"""What the motors' agreement alone can claim: nothing of what they all share."""

from collections.abc import Mapping
from dataclasses import replace

from vibekit.catalogue import load_catalogue
from vibekit.finding import Conclusion, Diagnosis

SHARED = "What all motors share cannot be seen by comparing them."
ANCHOR = (
    "Compare with readings of the same motors when they were sound, or with the same model on other craft, in the same set-up; "
    "turn each by hand and look at each propeller."
)


def unless_shared(motors: Mapping[str, Diagnosis]) -> dict[str, Diagnosis]:
    """Take back a "no fault found" that rests on nothing but the motors' agreement.

    Where another motor stands out the agreement of the rest says something, and the limit is only told.
    """
    uneven = any(d.conclusion.hurt for d in motors.values())
    words = load_catalogue()["undecided"]

    def told(end: Conclusion) -> Conclusion:
        if end.claims or len(motors) < 2:
            return end
        if uneven or end.condition == "undecided":
            return replace(end, reason=f"{end.reason} {SHARED}")
        reason = f"The motors are alike. {SHARED}"
        return replace(
            end,
            condition="undecided",
            probability=0.0,
            part=words.part,
            action=words.action,
            reason=reason,
            next_step=ANCHOR,
            also=(),
            next_measurement="",
        )

    return {position: replace(d, conclusion=told(d.conclusion)) for position, d in motors.items()}
