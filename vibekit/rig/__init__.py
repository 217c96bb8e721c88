"""A physical simulation of a small multirotor's motor, propeller, bearings, frame and sensor, with known truth.

It serves the demo and the tests; it is not the judge.
"""

from vibekit.rig.craft import ROTORS, RigCraft
from vibekit.rig.disturbance import Disturbance
from vibekit.rig.fault import CONDITIONS, Condition, Fault
from vibekit.rig.population import draw_craft
from vibekit.rig.record import Truth, record

__all__ = ["CONDITIONS", "ROTORS", "Condition", "Disturbance", "Fault", "RigCraft", "Truth", "draw_craft", "record"]
