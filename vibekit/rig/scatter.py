"""What differs between takes of one set-up: the sensor put back, the propeller fitted again, the speed set again, the weather."""

import math
from dataclasses import dataclass

from vibekit.rig.craft import RigCraft, stream
from vibekit.settings import Test

NEPER_PER_DB = math.log(10) / 20
REFIT_MM = 0.05  # rms by which a propeller sits off centre after it was taken off and put back (common practice, no source)
SPEED_RANGE = 0.01  # the speed is set again within this share


@dataclass(frozen=True, slots=True)
class Scatter:
    """One take's draw: speed, gain, bearing noise and wash as factors; the refit as an unbalance in g*mm; speed wander as a share."""

    speed: float
    gain: float
    bearing_noise: float
    wash: float
    wander: float
    refit_gmm: complex


def draw_scatter(craft: RigCraft, rotor: int, test: Test, take: int, refit: int) -> Scatter:
    """The scatter of this take; `refit` numbers the fittings of the propeller, each with its own place on the shaft."""
    rng = stream(craft, "take", rotor, test, take)
    gain_db, noise_db, wash_db = rng.standard_normal(3) * (craft.gain_scatter_db, craft.level_scatter_db, craft.level_scatter_db)
    seat = stream(craft, "refit", rotor, refit).standard_normal(2)
    return Scatter(
        speed=1 + rng.uniform(-SPEED_RANGE, SPEED_RANGE),
        gain=math.exp(NEPER_PER_DB * gain_db),
        bearing_noise=math.exp(NEPER_PER_DB * noise_db),
        wash=math.exp(NEPER_PER_DB * wash_db),
        wander=craft.wander * rng.lognormal(0, 0.2),
        refit_gmm=complex(*seat) * REFIT_MM * craft.prop_g / math.sqrt(2),
    )
