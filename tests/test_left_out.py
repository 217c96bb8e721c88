"""What is left out of a recording leaves its numbers as they are without it. Truth: the same take of the rig, undisturbed."""

from dataclasses import replace

import pytest

from vibekit.analysis import analyze
from vibekit.recording import Lost
from vibekit.rig import draw_craft, record
from vibekit.rig.disturbance import Disturbance
from vibekit.settings import Settings

GIVEN = Settings(test="bare", sensor="contact")


def quantities(recording) -> dict[str, tuple[float, float]]:
    return {q.name: (q.value, q.u95) for q in analyze(recording, GIVEN).quantities}


@pytest.fixture(scope="module")
def take():
    """A strong 1x over little noise, where a cut would be heard in every band."""
    return lambda **how: record(draw_craft(17), rotor=1, test="bare", rate_hz=48_000, duration_s=4.0, speed_rpm=6000, **how)[0]


def check_alike(disturbed, plain) -> None:
    ours, theirs = quantities(disturbed), quantities(plain)
    for name, (value, u95) in theirs.items():
        if name.startswith("octave") or name in ("1x", "2x", "click rate"):
            assert ours[name][0] == pytest.approx(value, abs=1.0 + u95 + ours[name][1]), name


@pytest.mark.parametrize("how", [Disturbance(gaps=1), Disturbance(knocks=1), Disturbance(gaps=3)], ids=["drop-out", "knock", "drop-outs"])
def test_a_place_that_is_left_out_moves_no_level(take, how):
    check_alike(take(disturbance=how), take())


def test_a_pause_moves_no_level(take):
    """Two takes of one motor joined by a quarter of a second of zeros, as a recorder that was paused leaves them."""
    plain, samples = take(), take().samples.copy()
    samples[:, 90_000:102_000] = 0
    paused = replace(plain, samples=samples, lost=(Lost(90_000, 102_000, 400_000, "paused"),))
    check_alike(paused, plain)
