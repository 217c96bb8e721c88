"""Mains hum: lines at 50 or 60 Hz and their multiples that come from the wiring, not from the motor."""

from collections.abc import Iterator

import numpy as np
from scipy.ndimage import median_filter

from vibekit.problem import Problem
from vibekit.screen.look import Look, View
from vibekit.screen.slow import SlowSpectrum

MAINS_HZ = (50.0, 60.0)
TOLERANCE = 0.002  # large grids hold within 0.1 Hz of nominal nearly always (from memory), sound cards within 0.01 %
HARMONICS = 6
LEAST_RATIO = 20.0  # line power over the floor beside it
FLOOR_HZ = 8.0
AGREE = 3  # harmonics that must fit one mains frequency, an odd one among them: an even comb is a shaft of twice the speed
FINER = (2, 3, 4, 5)  # mains has nothing at these parts of its pitch; a shaft with a line at every multiple of its own speed has
FINER_RATIO, FINER_SHARE = 8.0, 0.4
ORDERS = 12


def find_hum(spectrum: SlowSpectrum, shaft_hz: float | None) -> tuple[float, tuple[int, ...]] | None:
    """Mains frequency and the harmonics of it that stand out, None when they do not fit or belong to a finer comb."""
    f, power = spectrum.frequency, spectrum.power
    step = float(f[1])
    floor = median_filter(power, max(round(FLOOR_HZ / step), 5), mode="nearest") / np.log(2) + np.finfo(np.float32).tiny
    ratio = power / floor

    def line_at(frequency: float, least: float = LEAST_RATIO) -> float | None:
        near = np.flatnonzero(np.abs(f - frequency) <= max(TOLERANCE * frequency, step) + step)
        peak = int(near[np.argmax(power[near])]) if near.size else 0
        stands = 0 < peak < f.size - 1 and ratio[peak] > least and power[peak] >= max(power[peak - 1], power[peak + 1])
        return float(f[peak]) if stands else None

    for mains in MAINS_HZ:
        lines = [(k, line_at(k * mains)) for k in range(1, HARMONICS + 1) if not _is_order(k * mains, shaft_hz)]
        pitches = [(k, at / k, 0.75 * step / k) for k, at in lines if at]
        for _, pitch, width in pitches:
            fit = tuple(k for k, other, error in pitches if abs(other - pitch) <= width + error)
            if len(fit) >= AGREE and any(k % 2 for k in fit) and abs(pitch - mains) <= TOLERANCE * mains + width:
                between = [[line_at(j * pitch / part, FINER_RATIO) for j in range(1, HARMONICS // 2 * part) if j % part] for part in FINER]
                if not any(sum(map(bool, comb)) > FINER_SHARE * len(comb) for comb in between):
                    return mains, fit
    return None


def hum_of(look: Look) -> Iterator[tuple[View, float, tuple[int, ...]]]:
    """Each channel in which there is hum, with the mains frequency and the harmonics of it that stand out."""
    shaft = look.settings.speed_rpm / 60 if look.settings.speed_rpm else None
    for view in look.views:
        if view.slow and (hum := find_hum(view.slow, shaft)):
            yield view, *hum


def check_hum(look: Look) -> list[Problem]:
    """Hum of each channel."""
    found = []
    for view, mains, harmonics in hum_of(look):
        lines = ", ".join(f"{mains * k:.0f}" for k in harmonics)
        detail = (
            f"Lines at {lines} Hz{view.where} fit {mains:.0f} Hz mains hum, or a shaft at just this speed: do not read them as "
            "orders of another. To be rid of hum run the sensor and the computer from batteries, away from chargers."
        )
        found.append(Problem("hum", "note", detail))
    return found


def _is_order(frequency: float, shaft_hz: float | None) -> bool:
    """Whether a typed shaft speed puts one of its first orders within 1 % of here."""
    order = round(frequency / shaft_hz) if shaft_hz else 0
    return shaft_hz is not None and 1 <= order <= ORDERS and abs(order * shaft_hz / frequency - 1) < 0.01
