"""From the forces in the motor to what the sensor feels: frame, casing, air, room and the sensor itself."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from vibekit.recording import Sensor
from vibekit.rig.craft import AIR_DENSITY, SPEED_OF_SOUND, Mode, RigCraft

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

RADIATING_AREA = 0.03  # m2, of a craft with the piece of bench it is clamped to; above RADIATING_HZ only the arm sounds
RADIATING_HZ = 1500.0
COMPACT_HZ = 300.0


@dataclass(frozen=True, slots=True)
class Path:
    """Complex gain from each source to each sensor axis at the frequencies it was asked for, n of them.

    force: (axes, 3, n) output per N at the motor, x, y radial and z along the shaft
    casing: (axes, n) output per m/s2 of excitation of the motor's casing
    air: (axes, n) output per Pa of free-field sound at 1 m
    noise: (axes, n) output per root Hz, one-sided: the sensor's and the room's own noise
    """

    force: Complex
    casing: Complex
    air: Complex
    noise: Array


def path(craft: RigCraft, rotor: int, sensor: Sensor, axes: int, frequency: Array, extra: Mode | None = None) -> Path:
    """Path from one rotor to the sensor; `extra` is a mode that a fault has put there.

    Frame: accelerance as a sum over modes (Ewins, Modal Testing, 2nd ed. 2000, eq. 2.43 with viscous damping) and a residual mass.
    Casing: two resonances of several kHz on a flat floor. Sound: a small shaking body radiates p = rho S a / (4 pi r) below the
    frequency where it is no longer compact (Morse & Ingard, Theoretical Acoustics 1968, ch. 7: simple source), less
    below COMPACT_HZ, where front and back cancel. Room: image sources, so that single lines fade by 10 dB and more.
    """
    motor = craft.motors[rotor]
    modes = motor.modes if extra is None else (*motor.modes, extra)
    look = np.eye(3) if axes == 3 else np.array([craft.axis])
    force: Complex = np.empty((len(look), 3, frequency.size), complex)
    force[:] = (look / craft.arm_kg)[:, :, None]
    for mode in modes:
        coupling = np.outer(look @ np.array(mode.at_sensor), mode.at_motor) / mode.mass_kg
        force += coupling[:, :, None] * accelerance(frequency, mode.frequency_hz, mode.damping)
    casing = np.full(frequency.size, 1 + 0j)
    for ring in motor.rings:
        casing += ring.gain * accelerance(frequency, ring.frequency_hz, ring.damping)
    spread = np.abs(look).sum(axis=1) / np.abs(craft.axis).sum()
    return _sensed(craft, sensor, frequency, force, spread[:, None] * casing)


def accelerance(frequency: Array, natural_hz: float, damping: float) -> Complex:
    """Acceleration of one mode of unit mass per unit force: -f^2 / (fn^2 - f^2 + 2 i zeta fn f)."""
    square = np.square(frequency)
    gain: Complex = np.divide(-square, natural_hz**2 - square + (2j * damping * natural_hz) * frequency)
    return gain


def _sensed(craft: RigCraft, sensor: Sensor, frequency: Array, force: Complex, casing: Complex) -> Path:
    """The sensor's own response: a contact pick-up loses the lowest tens of Hz, a phone's motion sensor what is above 120 Hz."""
    if sensor == "microphone":
        return _heard(craft, frequency, force, casing)
    own: Complex
    if sensor == "contact":
        own = high_pass(frequency, 30.0) * (1 - 0.3 * accelerance(frequency, 14000.0, 0.3)) / craft.full_scale
        noise = 1e-3 / craft.full_scale
    elif sensor == "accelerometer":
        own, noise = 1 - accelerance(frequency, 21000.0, 0.02), 1e-3
    else:
        own, noise = 1 - high_pass(frequency, 120.0), 2e-3
    return Path(force * own, casing * own, np.zeros(casing.shape, complex), np.full(casing.shape, noise))


def _heard(craft: RigCraft, frequency: Array, force: Complex, casing: Complex) -> Path:
    room = np.ones(frequency.size, complex)
    for delay, share in craft.echo:
        room += share * np.exp(-2j * np.pi * frequency * delay)
    air = np.broadcast_to(room * high_pass(frequency, 40.0) ** 2 / craft.distance_m / craft.full_scale_pa, casing.shape)
    shake = air * high_pass(frequency, COMPACT_HZ) / (1 + 1j * frequency / RADIATING_HZ) * (AIR_DENSITY * RADIATING_AREA / (4 * np.pi))
    noise = np.broadcast_to(2e-4 / np.sqrt(1 + frequency / 100) / craft.full_scale_pa, casing.shape)
    return Path(force * shake, casing * shake, air, noise)


def high_pass(frequency: Array, corner_hz: float) -> Complex:
    """First-order high-pass."""
    gain: Complex = np.divide(frequency, frequency - 1j * corner_hz)
    return gain


def blade_sound(craft: RigCraft) -> float:
    """Peak sound pressure, Pa at 1 m, of one blade's lift at blade pass.

    Order of magnitude of Gutin's loading noise off the axis, m B Omega T / (2 pi c r) J_mB (NACA TM 1195, 1936), with the
    Bessel function replaced by the few per cent that unsteady loading leaves at these tip speeds (common practice, no source).
    """
    return 0.02 * craft.blades * 2 * np.pi * craft.test_hz * craft.thrust_n / (2 * np.pi * SPEED_OF_SOUND)
