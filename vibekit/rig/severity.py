"""How large a fault of severity s is: the unit is the repeatability limit of one characteristic quantity a condition.

A fault of severity s moves its condition's characteristic quantity, on the same rotor and with the same sensor, from its healthy
mean Q0 to Q0 + s r, where r = 2.8 s_r is the repeatability limit of ISO 5725-6:1994 and s_r the standard deviation of the quantity
over healthy takes (sensor put back, propeller fitted again, speed set again, weather of the wash). The fault itself is a physical
thing (g*mm, N, m/s): it is sized once, in the test of the table, at the craft's test speed, and seen in the other tests as it comes.

condition                         characteristic quantity                                                      sized in test
prop-imbalance, resonance         amplitude of 1x                                                              prop
rotor-imbalance                   amplitude of 1x                                                              bare
bent-shaft                        root-sum-square amplitude of 1x and 2x                                       bare
blade-damage                      amplitude of the order from 2 to 4 B, no multiple of B, that shows it best    prop
loose-mount, loose-propeller      root-sum-square amplitude of orders 0.5, 1.5, 2, ... 12 save blade pass      prop
electrical                        root-sum-square amplitude of orders p, 2p, 4p, 6p and 6p +- 1, 2             prop
rub, bearing-grit                 rms from 2 kHz to 10.8 kHz                                                   bare
bearing-outer, -inner, -ball      squared envelope in the band of the casing's ring, over its mean: root-sum-
                                  square of its amplitude spectrum within 1 % of the strike order              bare
bearing-cage                      the same at the cage order                                                   bare

B blades, p pole pairs; every quantity is taken from 2.5 s. s_r is computed from the rig's own description, not from trials:
gain, level, refit and speed scatter and the noise of a 2.5 s estimate, added as variances. Two sizes end where the part does: a
blade loses 0.6 of its lift at most, a cage modulates by 0.95 at most; and where strikes follow each other faster than the casing stops
ringing, their line cannot rise further.
"""

from functools import lru_cache

from vibekit.recording import Sensor
from vibekit.rig.casing_quantity import EnvelopeLine, HighBand
from vibekit.rig.clicks import defect
from vibekit.rig.craft import RigCraft
from vibekit.rig.fault import Condition, Fault
from vibekit.rig.line_quantity import LineQuantity

HIGH_FREQUENCY: tuple[Condition, ...] = ("rub", "bearing-grit")
ENVELOPE: tuple[Condition, ...] = ("bearing-outer", "bearing-inner", "bearing-ball", "bearing-cage")


@lru_cache(maxsize=4096)
def fault_size(craft: RigCraft, fault: Fault, sensor: Sensor) -> float:
    """Size of the physical fault that moves the characteristic quantity by `fault.severity` repeatability limits.

    Unit: see `vibekit.rig.forces.fault_lines` (g*mm, N, share of a blade's lift ...); strikes in m/s, a rub in m/s2 per root Hz,
    a cage in depth of modulation, a resonance in 1/kg. The phone's motion sensor, too slow for most, takes the accelerometer's size.
    """
    condition, rotor = fault.condition, fault.rotor
    if condition == "healthy" or fault.severity == 0:
        return 0.0
    sensor = "accelerometer" if sensor == "phone-motion" else sensor
    if condition in HIGH_FREQUENCY:
        return HighBand(craft, rotor, sensor).size(condition, fault.severity)
    if condition in ENVELOPE:
        return EnvelopeLine.of(craft, rotor, condition, sensor).size(defect(craft, rotor, condition), fault.severity)
    return LineQuantity.of(craft, rotor, condition, sensor).size(condition, fault.severity)
