"""Is the shaft told from its harmonics? VIBEKIT_SPEED_MOTORS sets how many motors are drawn."""

import os

import numpy as np

from tests.shaft_sounds import draw
from vibekit.recording import Channel, Recording
from vibekit.settings import Settings
from vibekit.speed import seek_speed

MOTORS = int(os.environ.get("VIBEKIT_SPEED_MOTORS", "40"))


def test_a_harmonic_is_seldom_claimed_and_else_both_are_returned():
    """2 to 5 blades, 12 to 28 poles, 1 000 to 60 000 rpm, hum on every third; nothing known, or the blades.

    Settled: for each multiple of the shaft speed up to six, an order that is none of its multiples stands 10 dB above its floor
    (`Shaft.is_settled`). There at most 4 in 1 000 may be claimed wrong, of so few as are drawn here one: counted, none of 163 with nothing
    known and none of 163 with the blades. Elsewhere a claimed speed is mostly right or names
    the right one beside it: counted, 18 of 19 and 21 of 21.
    """
    wrong, beside = [], []
    for i in range(MOTORS):
        shaft = draw(np.random.default_rng([7, i]))
        if not shaft.blades:
            continue
        kept = Recording(shaft.samples[None], float(shaft.rate_hz), (Channel(),))
        for settings in (Settings(), Settings(blades=shaft.blades)):
            track = seek_speed(kept, settings)
            if track is None or not track.is_claimed:
                continue
            right = abs(track.mean_hz / shaft.mean_hz - 1) < 4e-3
            listed = any(abs(rpm / 60 / shaft.mean_hz - 1) < 4e-3 for rpm, _ in track.result.candidates)
            (wrong if shaft.is_settled else beside).append(not right if shaft.is_settled else right or listed)
    assert len(wrong) > MOTORS / 2
    assert sum(wrong) <= max(1, 4e-3 * len(wrong))
    assert np.mean(beside) >= 0.7
