"""Rolling-bearing geometry to defect orders, and what can be searched for when the geometry is not known."""

import math
from dataclasses import dataclass

from vibekit.errors import UsageError

SLIP = 0.02  # balls slide as well as roll: true orders lie within 1 to 2 % of the geometric ones (Randall & Antoni 2011, section 2)
MINIATURE_BALLS = (6, 7, 8, 9)  # of bearings with 3 to 8 mm bore; common practice, no source
MINIATURE_RATIO = (0.18, 0.30)  # (d / D) cos(angle) of the same; common practice, no source

Band = tuple[float, float]
TEST_BANDS_HZ: tuple[Band, ...] = ((50.0, 300.0), (300.0, 1800.0), (1800.0, 10_000.0))  # new bearings at 1800 rpm: ISO 15242-1, from memory


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


@dataclass(frozen=True, slots=True)
class DefectBands:
    """Orders (low, high) between which outer- and inner-race lines of a bearing with this many balls must lie."""

    balls: int
    outer: Band
    inner: Band


def slip_band(order: float, slip: float = SLIP) -> Band:
    """Give the orders between which a line with this geometric order is found.

    Raises UsageError unless 0 <= slip < 0.1.
    """
    if not 0 <= slip < 0.1:
        raise UsageError(f"slip is {slip:g}; it must be from 0 to below 0.1, usually 0.01 to 0.02")
    return order * (1 - slip), order * (1 + slip)


def mid_diameter_mm(bore_mm: float, outer_mm: float) -> float:
    """Estimate the pitch diameter as the mean of bore and outer diameter, mm.

    Of a 6205 it is 1.4 % small, which puts the outer-race order 0.35 % low and the inner-race order 0.23 % high.
    Raises UsageError unless 0 < bore_mm < outer_mm.
    """
    if not 0 < bore_mm < outer_mm:
        raise UsageError(f"bearing has bore {bore_mm:g} mm and outer diameter {outer_mm:g} mm; the bore must be above 0 and smaller")
    return (bore_mm + outer_mm) / 2


def miniature_bands() -> tuple[DefectBands, ...]:
    """Give the bands to search when a small motor's bearing is not known: one for each likely number of balls.

    Catalogues print neither number nor size of the balls of these sizes. Bands of different counts overlap: only the sum of a
    pair's orders tells the count, see `bearing_from_orders`.
    """
    low, high = MINIATURE_RATIO
    return tuple(DefectBands(n, (n / 2 * (1 - high), n / 2 * (1 - low)), (n / 2 * (1 + low), n / 2 * (1 + high))) for n in MINIATURE_BALLS)


def bearing_from_orders(outer: float, inner: float, slip: float = SLIP) -> Bearing | None:
    """Find the bearing whose outer- and inner-race lines lie at these orders, its pitch diameter taken as 1 and its angle as 0.

    The two add up to the number of balls (exact, whatever the geometry); None when no whole number lies within `slip` of their sum,
    or more than one does.
    """
    low, high = slip_band(outer + inner, slip)
    balls = round(outer + inner)
    if not 0 < outer < inner or not low <= balls <= high or math.floor(high) - math.ceil(low) > 0 or not 4 <= balls <= 40:
        return None
    return Bearing(balls, (inner - outer) / (inner + outer), 1.0)
