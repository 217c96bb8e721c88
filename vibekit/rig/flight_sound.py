"""What a sensor anywhere on a craft records in one flight, from the rig's own description: a flight in tens of milliseconds."""

from collections.abc import Sequence

import numpy as np
from scipy import fft

from vibekit.recording import Channel, Recording, Sensor
from vibekit.rig.craft import RigCraft, stream
from vibekit.rig.fault import Fault
from vibekit.rig.flight_band import CutTip, Rotors, unsteady
from vibekit.rig.forces import TOP_ORDER
from vibekit.rig.motion import steady
from vibekit.rig.render import play

KEPT = 0.47  # share of the sampling rate up to which lines are made: what is above a good filter keeps out
POINTS = 512  # at which the noise is described


def flight_sound(
    craft: RigCraft, sensor: Sensor, hurt: Sequence[Fault | CutTip], take: int, *, rate_hz: float, seconds: float = 6.0
) -> tuple[Recording, Rotors]:
    """One channel in flight, and who turned how. Arguments as for `Rotors.of`; rate_hz: any, as slow as a flight log's.

    A line's way to the sensor is that at its rotor's mean speed.
    """
    rng, rotors = stream(craft, "flight sound", take), Rotors.of(craft, hurt, take)
    n = round(seconds * rate_hz)
    samples, power = np.zeros(n), np.zeros(POINTS)
    frequency = np.linspace(0, rate_hz / 2, POINTS)
    frequency[0] = frequency[1] / POINTS
    for rotor, hz in enumerate(rotors.speed_hz):
        motion = steady(rng, hz, rotors.wander, n, rate_hz)
        order = np.arange(1, min(int(KEPT * rate_hz / motion.speed_hz.max()), TOP_ORDER) + 1)
        amplitude = np.zeros((2, 2 * order.size + 1), complex)
        amplitude[:, 2::2] = rotors.lines(craft, rotor, sensor, order)
        lines, loose = play(amplitude, motion.turns, order.size)
        samples += rotors.near[rotor] * (lines + loose * unsteady(rng, n, rate_hz)) * (motion.speed_hz / hz) ** 2
        power += rotors.noise(craft, rotor, sensor, frequency)
    noise = fft.rfft(rng.standard_normal(n)) * np.sqrt(np.interp(fft.rfftfreq(n, 1 / rate_hz), frequency, power) * rate_hz / 2)
    made = (samples + fft.irfft(noise, n)).astype(np.float32)
    return Recording(made[None], rate_hz, (Channel(unit="m/s2" if sensor == "accelerometer" else "FS"),)), rotors
