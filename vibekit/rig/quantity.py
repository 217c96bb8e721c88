"""What is normal for a quantity, and in which test and band the rig takes it."""

from dataclasses import dataclass

from vibekit.rig.fault import Condition
from vibekit.settings import Test

TAKE_S = 2.5  # length of the take from which every quantity is taken
HIGH_BAND = (2000.0, 10800.0)  # Hz
SLIP_BAND = 0.01  # half width around a strike order, as a share of it
BARE: tuple[Condition, ...] = (
    "rotor-imbalance",
    "bent-shaft",
    "rub",
    "bearing-grit",
    "bearing-outer",
    "bearing-inner",
    "bearing-ball",
    "bearing-cage",
)


@dataclass(frozen=True, slots=True)
class Normal:
    """Mean and standard deviation of a quantity over healthy takes, in the sensor's unit (envelope quantities have none)."""

    mean: float
    deviation: float

    @property
    def limit(self) -> float:
        """Repeatability limit r = 2.8 s_r (ISO 5725-6:1994)."""
        return 2.8 * self.deviation

    def at(self, severity: float) -> float:
        """Mean of the quantity when a fault of this severity is there."""
        return self.mean + severity * self.limit


def sizing_test(condition: Condition) -> Test:
    """The test in which the severity of this condition is defined."""
    return "bare" if condition in BARE else "prop"
