"""Wind: air that streams over a microphone shakes its membrane below some tens of hertz."""

from scipy.ndimage import median_filter

from vibekit.problem import Problem
from vibekit.screen.look import Look
from vibekit.screen.slow import SlowSpectrum

BAND_HZ = (1.0, 25.0)  # below every shaft that a multirotor flies on
SHARE = 0.5  # of the whole power
LINE, LINES_SHARE = 20.0, 0.3  # power over that around it, and the share of the band in such lines: then something turns
AROUND_HZ = 3.0
FALL = 3.0  # power of frequency that roughly levels the spectrum of turbulence, so that its foot is no line
LEAST_S = 5.0  # gusts last seconds, and a slow shaft needs some to show as a line
LEAST_RATE = 8000.0


def check_wind(look: Look) -> list[Problem]:
    """Rumble in sound recordings."""
    found: list[Problem] = []
    if look.settings.sensor not in ("microphone", None) or look.recording.rate_hz < LEAST_RATE or look.recording.duration_s < LEAST_S:
        return found
    for view in look.views:
        if look.recording.channels[view.overview.row].unit not in ("FS", "Pa") or view.slow is None:
            continue
        share = view.slow.variance / max(view.variance, 1e-30) * _rumble(view.slow)
        if share > SHARE:
            detail = (
                f"{100 * share:.0f} % of the sound's power{view.where} lies below {BAND_HZ[1]:.0f} Hz without a line: wind or the rotor's "
                "wash blows on the microphone and hides low orders. Move it out of the stream or put a foam cap on it."
            )
            found.append(Problem("wind", "warning", detail))
    return found


def _rumble(slow: SlowSpectrum) -> float:
    """Share of the slow signal's power that lies in the band, 0 when lines make up much of it."""
    level = slow.power * slow.frequency**FALL
    around = median_filter(level, max(round(AROUND_HZ / float(slow.frequency[1])), 3), mode="nearest")
    band = (slow.frequency >= BAND_HZ[0]) & (slow.frequency <= BAND_HZ[1])
    lines = slow.power[band & (level > LINE * around)].sum()
    total = slow.power[band].sum()
    return float(total / slow.power.sum()) if lines < LINES_SHARE * total else 0.0
