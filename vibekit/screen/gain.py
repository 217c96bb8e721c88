"""Gain that changes while recording: automatic gain control, or noise suppression that learns the motor away.

A gain multiplies everything alike: all bands, noise floor included, go up and down by the same decibels. A machine, a gust or a hand
changes some bands more than others. Noise suppression takes some seconds to learn a steady sound and then lowers it; its lines stay
where they are, which a slowing motor's do not.
"""

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft

from vibekit.problem import Problem
from vibekit.screen.frames import Frames
from vibekit.screen.look import Look
from vibekit.screen.overview import Floats, Overview

Array = npt.NDArray[np.float64]
CHANGE_DB = 3.0
BANDS = 8
LOWEST_HZ, HIGHEST = 150.0, 0.8  # of half the rate
PIECE_S = 0.7  # frames averaged, so that a band's own scatter is well under a decibel
LEAST_PIECES = 8
ALIKE = 0.25  # each band follows the common change by 1 +- this
UNLIKE = 0.4  # scatter of a usual band about the common change, as a part of that change
EXEMPT = 1  # bands that may differ: one may hold noise added after the gain
LEARN_S = 15.0
LINES = 3  # lines that must fall together
PROMINENT = 10.0  # power of a line over its surroundings
DRIFT = 0.005  # of a line's frequency
LINE_RATE = 8000.0
SOUND = ("FS", "Pa")
UNTESTED = ("run-up", "hand-spin", "flight")  # level changes there for good reasons


def check_gain(look: Look) -> list[Problem]:
    """Common gain changes and learning noise suppression of sound recordings."""
    if look.settings.test in UNTESTED or look.recording.rate_hz < LINE_RATE:
        return []
    found = []
    for view in look.views:
        if look.recording.channels[view.overview.row].unit not in SOUND:
            continue
        fall = lines_fall(view.overview, look.steady.part[1])
        if fall > CHANGE_DB:
            detail = (
                f"Steady tones{view.where} fall by {fall:.0f} dB in the first seconds while their pitch stays: noise suppression is "
                "learning the motor away, or the microphone was moved. Levels compare with no other recording; switch sound processing off."
            )
            found.append(Problem("noise-suppression", "warning", detail))
            continue
        swing = common_swing(view.frames, look)
        if swing > CHANGE_DB:
            detail = (
                f"All bands{view.where} rise and fall together by {swing:.0f} dB: gain control is at work, or the microphone moved. "
                "Levels compare with no other recording; record with a fixed gain and a microphone on a stand."
            )
            found.append(Problem("gain-control", "warning", detail))
    return found


def common_swing(frames: Frames, look: Look) -> float:
    """Range (5 to 95 %) in dB by which all bands move together, 0 when they do not move alike."""
    join = max(round(PIECE_S * frames.rate_hz / frames.hop), 1)
    power = _leave_out(frames.inside(look.steady.part), frames, look)
    rows = power[: len(power) // join * join].reshape(-1, join, power.shape[1]).mean(axis=1)
    if len(rows) < LEAST_PIECES:
        return 0.0
    edges = np.searchsorted(frames.frequency, np.geomspace(LOWEST_HZ, HIGHEST * frames.rate_hz / 2, BANDS + 1))
    level = 10 * np.log10(np.maximum(np.add.reduceat(rows, edges[:-1], axis=1), np.finfo(np.float32).tiny))
    level = level - level.mean(axis=0)
    common = np.median(level, axis=1)
    swing = float(np.quantile(common, 0.95) - np.quantile(common, 0.05))
    if swing <= CHANGE_DB:
        return 0.0
    follow = (level * common[:, None]).sum(axis=0) / (common**2).sum()
    apart = np.sqrt(((level - common[:, None]) ** 2).mean(axis=0) / (common**2).mean())
    alike = (np.abs(follow - 1) < ALIKE) & (apart < UNLIKE)
    return swing if np.count_nonzero(~alike) <= EXEMPT else 0.0


def lines_fall(overview: Overview, stop: int) -> float:
    """Median fall in dB of the strongest lines from the first second to later than LEARN_S / 3, 0 when they do not all fall."""
    rate = overview.rate_hz
    n = sfft.prev_fast_len(int(rate), real=True)
    late = slice(max(n, min(int(LEARN_S / 3 * rate), stop - 2 * n)), stop)
    if stop < 4 * n:
        return 0.0
    window = np.hanning(n + 1)[:-1].astype(overview.x.dtype)
    cut = int(0.4 * LINE_RATE * n / rate)
    starts = np.linspace(late.start, late.stop - n, 4).astype(int)
    after = np.mean([_power(overview.x[a : a + n], window, cut) for a in starts], axis=0)
    before = _power(overview.x[:n], window, cut)
    falls = []
    for k in _strongest(after):
        reach = max(int(DRIFT * k), 1)
        near = before[k - reach : k + reach + 1]
        around = before[max(k - 8 * reach - 12, 0) : k + 8 * reach + 13]
        if near.max() < PROMINENT * np.median(around):
            return 0.0
        falls.append(10 * np.log10(near.max() / after[k - reach : k + reach + 1].max()))
    if len(falls) < LINES or min(falls) < CHANGE_DB / 2:
        return 0.0
    return float(np.median(falls))


def _power(x: Floats, window: Floats, cut: int) -> Floats:
    power: Floats = np.abs(sfft.rfft(x * window)[:cut]) ** 2
    return power


def _strongest(power: Floats) -> list[int]:
    """Up to 2 LINES lines that stand above their surroundings, strongest first."""
    lowest = 40
    order = np.argsort(power[lowest:-lowest])[::-1][:400] + lowest
    chosen: list[int] = []
    for k in order:
        if all(abs(int(k) - c) > 8 for c in chosen) and power[k] > PROMINENT * np.median(power[k - 20 : k + 21]):
            chosen.append(int(k))
        if len(chosen) == 2 * LINES:
            break
    return chosen


def _leave_out(power: Floats, frames: Frames, look: Look) -> Floats:
    """Rows without knocks."""
    first = -(-look.steady.part[0] // frames.hop)
    keep = np.ones(len(power), bool)
    for a, b in look.steady.knocks:
        keep[max(a // frames.hop - first, 0) : max(b // frames.hop - first + 1, 0)] = False
    return power[keep] if keep.sum() >= 4 else power
