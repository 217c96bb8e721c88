"""Mean speed of several rotors that turn at different speeds, as in flight: where the orders of all of them gather."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from vibekit.blade_count import PRIOR
from vibekit.flight_floor import floor_between
from vibekit.spectrum import welch_psd

Array = npt.NDArray[np.float64]
RANGE_HZ = (20.0, 600.0)  # 1 200 to 36 000 rpm: from large rotors idling to small ones at full power
ROTORS_APART = 0.15  # rotors of one craft turn this far from their mean (common practice, no source)
CAP = 2.0  # decades of contrast credited to one order: one strong line does not decide
SURE = 2.0  # decades of contrast, over all orders, from which a speed is told: on flights of the rig less is no better than chance
BETWEEN = 0.3  # orders either side of the half-way point where a right speed finds nothing
NEAR, FAR = 0.05, 0.2  # of an order: rotors about the mean, and what is looked at about an order at most
NOTHING = 0.12  # decades of contrast below which every second order is taken as empty
SLOWER = 0.3  # decades of contrast from which lines between blade passes tell a slower shaft
LINE = 2.0  # times the floor from which power counts as a line's


def highest_hz(rate_hz: float) -> float:
    """Up to what speed a sampling rate lets four orders and what is beside them be looked at."""
    return min(RANGE_HZ[1], rate_hz / 10)


def hover_speed(signals: Sequence[npt.NDArray[np.floating]], rate_hz: float, blades: int | None = None) -> tuple[float, float] | None:
    """Mean rotor speed and half width of its 95 % interval, in turns a second; None when no speed stands out.

    signals: (n,) each, one a channel; blades: of each propeller

    A speed is right when power gathers about its whole orders and not half-way between them: the contrast of the two is summed over
    orders 1 to 4. A multiple of the right speed finds power between its orders, a part of it finds orders without power. Where
    blades are much alike, blade pass has most contrast; then what little lies at the shaft's other orders, and not between, tells it.
    """
    length = 1 << round(np.log2(rate_hz / 2))
    if not signals or len(signals[0]) < 4 * length:
        return None
    length *= 2 if len(signals[0]) >= 6 * length else 1
    spectra = [welch_psd(signal, rate_hz, length, unit="FS") for signal in signals]
    power = np.sum([s.values for s in spectra], axis=0)
    step = float(spectra[0].frequency[1])
    floor = np.maximum(floor_between(power, step), np.finfo(float).tiny)
    above = np.concatenate([[0.0], np.cumsum(np.maximum(power - LINE * floor, 0.0))])
    noise = np.concatenate([[0.0], np.cumsum(floor)])

    def level(speeds: Array, order: float, width: float) -> Array:
        low, high = ((speeds * (order + side * width) / step).astype(int).clip(0, len(power)) for side in (-1, 1))
        return np.asarray(np.log10(1 + (above[high] - above[low]) / np.maximum(noise[high] - noise[low], np.finfo(float).tiny)))

    speeds = np.geomspace(RANGE_HZ[0], highest_hz(rate_hz), 700)
    contrast = np.zeros(len(speeds))
    for order in (1, 2, 3, 4):
        contrast += np.clip(level(speeds, order, min(ROTORS_APART * order, BETWEEN)) - level(speeds, order - 0.5, BETWEEN), -CAP, CAP)
    best = int(contrast.argmax())
    if contrast[best] < SURE:
        return None
    alike = speeds[(contrast > contrast[best] - 0.3) & (np.abs(np.log(speeds / speeds[best])) < ROTORS_APART)]
    mean = float(np.sqrt(alike[0] * alike[-1]))
    u95 = max(float(alike[-1] - alike[0]) / 2, 0.02 * mean)

    def slower(hz: float, count: int) -> float:
        """Contrast of the orders of a shaft `count` times as slow that are no multiple of `count`."""
        shaft = np.array([hz / count])
        others = [k for k in range(1, 2 * count) if k % count]
        beside = [level(shaft, k + side, FAR) for k in others for side in (-0.5, 0.5)]
        return float(np.mean([level(shaft, k, min(NEAR * k, FAR)) for k in others]) - np.mean(beside))

    if slower(2 * mean, 2) < NOTHING:  # every second order is empty
        mean, u95 = 2 * mean, 2 * u95
    each = {count: slower(mean, count) for count in ((blades,) if blades else PRIOR) if count > 1 and mean / count > RANGE_HZ[0]}
    passed = max(each, key=lambda count: each[count], default=1)
    part = passed if each and each[passed] > SLOWER else 1
    return mean / part, u95 / part
