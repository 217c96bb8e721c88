"""Rolling-bearing geometry to defect orders."""

import math
from dataclasses import dataclass

from vibekit.errors import UsageError


@dataclass(frozen=True, slots=True)
class Bearing:
    """One rolling bearing with its outer ring at rest.

    balls: number of rolling elements, 4 to 40
    ball_mm, pitch_mm: ball and pitch diameter, mm (any unit, as long as both have the same)
    angle_deg: contact angle, 0 <= angle < 90

    Orders (multiples of shaft speed) after Randall & Antoni, Mech. Syst. Signal Process. 25 (2011) 485-520, section 2.
    """

    balls: int
    ball_mm: float
    pitch_mm: float
    angle_deg: float = 0.0

    def __post_init__(self) -> None:
        if not 4 <= self.balls <= 40:
            raise UsageError(f"bearing has {self.balls} balls; it must be a whole number from 4 to 40")
        if not 0 < self.ball_mm < self.pitch_mm:
            raise UsageError(f"bearing has ball {self.ball_mm:g} mm on pitch {self.pitch_mm:g} mm; the ball must be above 0 and smaller")
        if not 0 <= self.angle_deg < 90:
            raise UsageError(f"bearing contact angle is {self.angle_deg:g} degrees; it must be from 0 to below 90")

    @property
    def ratio(self) -> float:
        """(d / D) cos(angle)."""
        return self.ball_mm / self.pitch_mm * math.cos(math.radians(self.angle_deg))

    @property
    def outer(self) -> float:
        """Order of ball passes over the outer race (BPFO)."""
        return self.balls / 2 * (1 - self.ratio)

    @property
    def inner(self) -> float:
        """Order of ball passes over the inner race (BPFI)."""
        return self.balls / 2 * (1 + self.ratio)

    @property
    def cage(self) -> float:
        """Order of the cage, outer ring at rest (FTF)."""
        return (1 - self.ratio) / 2

    @property
    def ball_spin(self) -> float:
        """Order of a ball's spin (BSF); a spot on a ball strikes twice a spin."""
        return self.pitch_mm / (2 * self.ball_mm) * (1 - self.ratio**2)
