"""What can be wrong on the rig, and how much of it."""

from dataclasses import dataclass
from typing import Literal, get_args

from vibekit.errors import UsageError, check_choice
from vibekit.rig.craft import ROTORS

Condition = Literal[
    "healthy",
    "prop-imbalance",
    "blade-damage",
    "rotor-imbalance",
    "bent-shaft",
    "loose-mount",
    "loose-propeller",
    "rub",
    "bearing-grit",
    "bearing-outer",
    "bearing-inner",
    "bearing-ball",
    "bearing-cage",
    "electrical",
    "resonance",
]
CONDITIONS: tuple[Condition, ...] = get_args(Condition)
ON_THE_PROPELLER = ("prop-imbalance", "blade-damage", "loose-propeller")  # gone when the propeller is off


@dataclass(frozen=True, slots=True)
class Fault:
    """One condition on one rotor.

    severity: in repeatability limits of the condition's characteristic quantity, see `vibekit.rig.severity`
    """

    condition: Condition
    severity: float
    rotor: int = 0

    def __post_init__(self) -> None:
        check_choice("condition", self.condition, CONDITIONS)
        if not 0 <= self.severity <= 1000:
            raise UsageError(f"severity is {self.severity:g}; it must be from 0 to 1000 repeatability limits")
        if not 0 <= self.rotor < ROTORS:
            raise UsageError(f"rotor is {self.rotor}; it must be from 0 to {ROTORS - 1}")
