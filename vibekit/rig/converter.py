"""From the sensor's output to a Recording: full scale, 16 bits, tacho channel, a phone's irregular stamps."""

import numpy as np
import numpy.typing as npt

from vibekit.normal import Z95
from vibekit.recording import Channel, Recording, Sensor, Source
from vibekit.rig.disturbance import Disturbance

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.intp]

PHONE_RATE_HZ = 99.3
PHONE_OVERSAMPLING = 40
PHONE_STAMP_S = 0.001  # its stamps are whole milliseconds
PHONE_RESOLUTION = 0.002  # m/s2


def convert(
    samples: Array, sensor: Sensor, rate_hz: float, turns: Array | None, disturbance: Disturbance, rng: np.random.Generator
) -> tuple[Recording, Index]:
    """A Recording of (axes, n) sensor output, and the indices of the samples it kept.

    Microphone and contact pick-up: 16 bits, full scale 1, clipped there. Accelerometer: m/s2, floating point; when overloaded, clipped
    at its range. Phone: one sample in forty, stamps in whole milliseconds, now and then written twice.
    """
    samples = disturbance.before_full_scale(rng, samples, rate_hz)
    if sensor in ("microphone", "contact"):
        samples = disturbance.after_full_scale(rng, np.clip(samples, -1, 32767 / 32768), rate_hz)
        samples = np.round(np.clip(samples, -1, 32767 / 32768) * 32768) / 32768
        source = Source(encoding="PCM_16", lossy="aac" if disturbance.band_hz else "", full_scale=1.0)
        channels = [Channel(name="1")]
    else:
        if disturbance.overload_db is not None:
            limit = float(np.abs(samples).max()) / 10 ** (max(disturbance.overload_db, 0) / 20)
            samples = np.clip(samples, -limit, limit)
        samples = disturbance.after_full_scale(rng, samples, rate_hz)
        source = Source(encoding="simulated")
        channels = [Channel(unit="m/s2", name=name) for name in ("x", "y", "z")[: samples.shape[0]]]
    kept: Index = np.arange(samples.shape[1])
    stamp, rate, rate_u95 = None, rate_hz, 0.0
    if sensor == "phone-motion":
        kept = kept[::PHONE_OVERSAMPLING]
        stamp = np.round(kept / rate_hz / PHONE_STAMP_S) * PHONE_STAMP_S
        late = np.flatnonzero(rng.random(kept.size - 1) < 0.02) + 1
        stamp[late] = stamp[late - 1]
        samples = np.round(samples[:, kept] / PHONE_RESOLUTION) * PHONE_RESOLUTION
        rate, rate_u95 = _fitted_rate(stamp)
    if turns is not None:
        samples = np.vstack([samples, np.diff(np.floor(turns), prepend=np.floor(turns[0]))[kept] > 0])
        channels.append(Channel(role="tacho", unit="pulse", name="tacho"))
    return Recording(samples, rate, tuple(channels), source, rate_u95, stamp), kept


def _fitted_rate(stamp: Array) -> tuple[float, float]:
    """Samples a second and its 95 % half width, by least squares through the stamps."""
    index = np.arange(stamp.size) - (stamp.size - 1) / 2
    squares = float(np.sum(index**2))
    period = float(np.sum(index * stamp)) / squares
    residual = stamp - stamp.mean() - period * index
    u95 = Z95 * float(np.sqrt(np.sum(residual**2) / (stamp.size - 2) / squares))
    return 1 / period, u95 / period**2
