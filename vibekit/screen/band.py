"""Band limit: a codec, a voice filter or a resampler cut everything above some frequency."""

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter

from vibekit.median import median
from vibekit.problem import Problem
from vibekit.screen.frames import Frames
from vibekit.screen.look import Look

CLIFF_DB = 20.0  # resonances and their slopes in open recordings reach 15.2 dB; the mildest codec tried, 28
WIDTH = 0.025  # of the frequency, half the width of the cliff: 20 dB in it is 280 dB an octave, far from any sensor's slope
SEARCH = (1 / 16, 0.9)  # parts of half the rate: above lie the converter's own filters
FIRST = 20  # bin: below, the few bins say nothing
BELOW = 0.7  # of the frequency: from there up to the cliff the spectrum must stand above all that follows
VOICE_HZ = (2500.0, 9000.0)  # telephone speech ends at 3.4 kHz (ITU-T G.712), wide-band speech at 7 to 8 (ITU-T G.722)
RATES = (32_000.0, 44_100.0, 48_000.0, 88_200.0, 96_000.0)  # at which sound is recorded (AES5, from memory)
HALF = (0.92, 1.005)  # of half a rate: where resamplers in use (soxr, and Speex as sound servers set it: tried) end sound made at it
FLAT_DB = 3.0  # what is left above half that rate lies level; a converter's own filter still falls there
LEAST_RATE = 8000.0  # below, there is no codec; sensors have filters of their own


def find_cliff(frames: Frames, part: tuple[int, int]) -> float | None:
    """Frequency above which nothing is left, Hz; None without a cliff."""
    power = median(frames.inside(part), axis=0)
    level = median_filter(10 * np.log10(np.maximum(power, np.finfo(np.float32).tiny)), 5, mode="nearest")
    n = level.size - 1
    at = np.arange(max(int(SEARCH[0] * n), FIRST), n)
    hz = frames.rate_hz / frames.frame
    beyond = [
        k for k in at[at >= int(SEARCH[1] * n)] if (lower := _lower_rate(k * hz, frames.rate_hz)) and _is_empty(level, lower / 2 / hz)
    ]
    at = np.r_[at[at < int(SEARCH[1] * n)], np.array(beyond, int)]
    width = np.maximum((WIDTH * at).astype(int), 4)
    steep = level[at - width] - level[np.minimum(at + width, n)]
    best: tuple[float, int] = (CLIFF_DB, 0)
    for k, w, fall in zip(at[steep > CLIFF_DB], width[steep > CLIFF_DB], steep[steep > CLIFF_DB], strict=True):
        clear = np.quantile(level[int(BELOW * k) : k - w + 1], 0.3) - np.quantile(level[k + w :], 0.95)
        if min(fall, clear) > best[0]:
            best = (float(min(fall, clear)), int(k))
    return best[1] * frames.rate_hz / frames.frame if best[1] else None


def _is_empty(level: npt.NDArray[np.floating], edge: float) -> bool:
    """Whether nothing falls any more from this bin on."""
    from_, to, last = (int(share * edge) for share in (1.006, 1.03, 1.07))
    return to < last < level.size and float(np.median(level[from_:to]) - np.median(level[to:last])) < FLAT_DB


def _lower_rate(cliff: float, rate: float) -> float | None:
    """The rate, lower than this one, at which sound was made that ends here; None where there is none."""
    return next((lower for lower in RATES if lower < rate and HALF[0] <= cliff / (lower / 2) <= HALF[1]), None)


def check_band(look: Look) -> list[Problem]:
    """Cliffs of each channel. A cliff in the range of speech codecs warns, one above it is noted."""
    found: list[Problem] = []
    rate = look.recording.rate_hz
    if rate < LEAST_RATE:
        return found
    for view in look.views:
        cliff = find_cliff(view.frames, look.steady.part)
        if cliff is None or cliff < VOICE_HZ[0]:
            continue
        where = f"Above {cliff / 1000:.1f} kHz nothing is left{view.where}"
        if cliff < VOICE_HZ[1] and look.settings.sensor in ("microphone", "contact", None):
            detail = (
                f"{where}: a speech codec, a telephone or headset microphone, or the sound was made at a lower rate. Orders below stand, "
                "levels may not, and bearings that ring above cannot be judged; record as WAV or FLAC with the built-in microphone."
            )
            found.append(Problem("voice-band", "warning", detail))
        elif lower := _lower_rate(cliff, rate):
            detail = (
                f"{where}, where sound made at {lower / 1000:g} kHz ends: it seems resampled to {rate / 1000:g} kHz on the way, by a sound "
                f"server, an app or a codec. What lies below stands; look for nothing above, and record at {lower / 1000:g} kHz to get the "
                "device's own samples."
            )
            found.append(Problem("band-limit", "note", detail))
        else:
            detail = (
                f"{where}: a codec or the sensor's own filter ends there, well below half the rate. "
                "Look for nothing above; record as WAV or FLAC if it was a codec."
            )
            found.append(Problem("band-limit", "note", detail))
    return found
