"""Gain that changes while recording: automatic gain control, or noise suppression that learns the motor away.

A gain multiplies everything alike: all bands, noise floor included, go up and down by the same decibels. A machine, a gust or a hand
changes some bands more than others. Noise suppression takes some seconds to learn a steady sound and then lowers it; its lines stay
where they are, which a slowing motor's do not.
"""

import numpy as np
import numpy.typing as npt
import scipy.fft as sfft
from scipy.ndimage import median_filter

from vibekit.problem import Problem
from vibekit.screen.frames import Frames
from vibekit.screen.look import Look, View
from vibekit.screen.overview import Floats, Overview
from vibekit.window import window_samples

CHANGE_DB = 3.0
BANDS = 8
LOWEST_HZ, HIGHEST = 150.0, 0.8  # of half the rate
PIECE_S = 0.7  # frames averaged, so that a band's own scatter is well under a decibel
LEAST_PIECES = 8
ALIKE = 0.25  # each band follows the common change by 1 +- this
UNLIKE = 0.4  # scatter of a usual band about the common change, as a part of that change
EXEMPT = 1  # bands that may differ: one may hold noise added after the gain
HALF = 0.5  # part of the common change that the lines must show too
LEARN_S = 15.0
LINES, MOST = 3, 0.7  # lines that must fall together, and the share of them that must stand in both places
PROMINENT = 10.0  # power of a line over its surroundings
AROUND, APART = 41, 8  # bins
DRIFT = 0.01  # of a line's frequency: so much speed changes the level by half a decibel
LINE_RATE = 8000.0
SOUND = ("FS", "Pa")
UNTESTED = ("run-up", "hand-spin", "flight")  # level changes there for good reasons
SILENCE = 1e-30  # power of a second that holds nothing at all


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
        swing = common_swing(view, look)
        if swing > CHANGE_DB:
            detail = (
                f"All bands{view.where} rise and fall together by {swing:.0f} dB: gain control is at work, or the microphone moved. "
                "Levels compare with no other recording; record with a fixed gain and a microphone on a stand."
            )
            found.append(Problem("gain-control", "warning", detail))
    return found


def common_swing(view: View, look: Look) -> float:
    """Range (5 to 95 %) in dB by which all bands move together, 0 when they do not move alike or the pitch moves too."""
    frames = view.frames
    first, rows = _pieces(frames, look)
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
    if np.count_nonzero(~alike) > EXEMPT:
        return 0.0
    loud, quiet = int(first[common.argmax()]), int(first[common.argmin()])
    kept, rise = _lines(view.overview, [loud], quiet)
    if len(kept) < LINES or kept.mean() < MOST or np.median(-rise) < HALF * np.ptp(common):
        return 0.0  # clicks that come and go fill all bands alike, but leave the lines where they are
    return swing


def lines_fall(overview: Overview, stop: int) -> float:
    """Median fall in dB of the strongest lines from the first second to later than LEARN_S / 3, 0 when they do not all fall."""
    second = int(overview.rate_hz)
    if stop < 4 * second:
        return 0.0
    late = np.linspace(max(second, min(int(LEARN_S / 3 * second), stop - 2 * second)), stop - second, 4).astype(int).tolist()
    kept, rise = _lines(overview, late, 0)
    if len(kept) < LINES or kept.mean() < MOST or rise.min() < CHANGE_DB / 2:
        return 0.0
    return float(np.median(rise))


def _pieces(frames: Frames, look: Look) -> tuple[npt.NDArray[np.intp], Floats]:
    """First sample and mean power of stretches of PIECE_S in the steady part that hold no knock."""
    join = max(round(PIECE_S * frames.rate_hz / frames.hop), 1)
    start = -(-look.steady.part[0] // frames.hop)
    count = (look.steady.part[1] // frames.hop - start) // join
    first = (start + np.arange(count) * join) * frames.hop
    calm = np.ones(count, bool)
    for a, b in look.steady.knocks:
        calm &= (first >= b) | (first + join * frames.hop <= a)
    rows = frames.power[start : start + count * join].reshape(count, join, frames.power.shape[1]).mean(axis=1)
    return first[calm], rows[calm]


def _lines(overview: Overview, here: list[int], there: int) -> tuple[npt.NDArray[np.bool_], Floats]:
    """Of the strongest lines in the seconds that start at `here`: which stand in the second at `there` too, and by how much higher, dB."""
    rate = overview.rate_hz
    n = sfft.prev_fast_len(int(rate), real=True)
    window = window_samples("hann", n).astype(overview.x.dtype)
    cut = int(0.4 * LINE_RATE * n / rate)
    last = overview.x.size - n
    bins = sfft.rfft(np.stack([overview.x[min(a, last) :][:n] for a in (*here, there)]) * window, axis=1)[:, :cut]
    *each, other = bins.real**2 + bins.imag**2
    power = np.mean(each, axis=0)
    kept, rise = [], []
    for k in _strongest(power):
        reach = max(int(DRIFT * k), 1)
        near = slice(k - reach, k + reach + 1)
        around = other[max(k - 8 * reach - 12, 0) : k + 8 * reach + 13]
        kept.append(other[near].max() > PROMINENT * np.median(around))
        heard = max(float(other[near].sum()), SILENCE)
        rise.append(10 * np.log10(heard / power[near].sum()))  # a wandering line is as strong, but not as high
    return np.array(kept, bool), np.array(rise)


def _strongest(power: Floats) -> list[int]:
    """Bins of up to 2 LINES lines that stand above their surroundings, strongest first."""
    standing = np.flatnonzero(power > PROMINENT * median_filter(power, AROUND, mode="nearest"))
    standing = standing[(standing >= AROUND) & (standing < power.size - AROUND)]
    chosen: list[int] = []
    for k in standing[np.argsort(power[standing])[::-1]].tolist():
        if all(abs(k - other) > APART for other in chosen):
            chosen.append(k)
        if len(chosen) == 2 * LINES:
            break
    return chosen
