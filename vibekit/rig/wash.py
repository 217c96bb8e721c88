"""The propeller's wash: turbulence that shakes the arm and hisses, stronger as a blade goes by."""

import numpy as np
import numpy.typing as npt

from vibekit.rig.craft import RigCraft
from vibekit.rig.motion import Motion
from vibekit.rig.path import blade_sound

Array = npt.NDArray[np.float64]

DIRECTION = np.array([0.4, 0.2, 0.9])
CORNER_HZ = 300.0
HISS_HZ = 2500.0


def wash_force(craft: RigCraft, rotor: int, frequency: Array) -> Array:
    """(3, n) N per root Hz at the test speed: a first-order low-pass spectrum whose rms is the wash's share of the thrust."""
    rms = craft.motors[rotor].wash * craft.thrust_n
    force: Array = np.outer(DIRECTION, rms * np.sqrt(2 / (np.pi * CORNER_HZ)) / np.sqrt(1 + (frequency / CORNER_HZ) ** 2))
    return force


def wash_sound(craft: RigCraft, rotor: int, frequency: Array) -> Array:
    """(n,) Pa per root Hz at 1 m, at the test speed: a broad hump at 2.5 kHz."""
    rms = 10 * craft.motors[rotor].wash * blade_sound(craft)
    x = frequency / HISS_HZ
    sound: Array = rms * np.sqrt(4 / (np.pi * HISS_HZ)) * x / (1 + x**2)
    return sound


def wash_level(craft: RigCraft, motion: Motion, damage: float) -> Array:
    """(n,) level against time, 1 in the mean at the test speed: grows as speed to the power 2.5, modulated at blade pass.

    damage: share of one blade's lift that is lost; its torn flow adds a part that comes once a turn.
    """
    angle = 2 * np.pi * motion.turns
    level: Array = (motion.speed_hz / craft.test_hz) ** 2.5 * (1 + 0.3 * np.cos(craft.blades * angle))
    if damage:
        level *= 1 + 2 * damage * (1 + np.cos(angle))
    return level
