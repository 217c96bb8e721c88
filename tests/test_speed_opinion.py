"""pYIN of librosa: the independent implementation that our estimate is held against, and the second opinion that a user may ask for."""

import sys

import numpy as np
import pytest
import soundfile

from tests.shaft_sounds import coloured, orders, walk
from vibekit.cli import main
from vibekit.errors import UsageError
from vibekit.recording import Channel, Recording
from vibekit.second_opinion import second_opinion
from vibekit.settings import Settings
from vibekit.speed import seek_speed

RATE = 16_000


def heard(rng, hz, level_db, noise=0.1):
    speed = walk(rng, 4 * RATE, RATE, hz, 1e-3)
    return orders(rng, speed, RATE, level_db) + noise * coloured(rng, speed.size)


def asked(samples, settings):
    kept = Recording(samples[None].astype(np.float32), float(RATE), (Channel(),))
    track = seek_speed(kept, settings)
    return second_opinion(kept, settings, track), track


@pytest.mark.parametrize("hz", [41.3, 118.0, 233.0])
def test_where_order_one_is_strong_both_methods_agree(hz):
    """To within 1 %: steps of pYIN's pitch are a tenth of a semitone, 0.6 %."""
    opinion, track = asked(heard(np.random.default_rng(1), hz, {1: 0, 2: -3, 3: -6, 4: -10}), Settings(test="bare"))
    assert opinion.hz == pytest.approx(track.mean_hz, rel=0.01)
    assert abs(opinion.hz - hz) < opinion.u95_hz
    assert opinion.order == 1
    assert "the shaft at" in opinion.words


def test_where_order_one_is_faint_it_hears_the_blades():
    opinion, track = asked(heard(np.random.default_rng(2), 41.3, {1: -25, 3: 0, 6: -4, 9: -9}), Settings(test="prop", blades=3))
    assert track.mean_hz == pytest.approx(41.3, rel=1e-3)
    assert opinion.order == 3
    assert opinion.rpm == pytest.approx(60 * 41.3, rel=1e-3)
    assert "the blade pass" in opinion.words


def test_in_noise_it_speaks_for_no_speed():
    opinion, _ = asked(coloured(np.random.default_rng(3), 4 * RATE), Settings(test="bare"))
    assert opinion.rpm is None


def test_without_librosa_it_says_what_to_install(monkeypatch):
    monkeypatch.setitem(sys.modules, "librosa", None)
    with pytest.raises(UsageError, match=r"vibekit\[opinion\]"):
        asked(np.ones(RATE), Settings())


def test_it_is_given_only_when_asked_for_and_only_where_the_speed_is_open(tmp_path, capsys):
    """Lines at 3, 6 and 9 x 60.7 Hz and a trace of 1x: blade pass or shaft, both are offered."""
    rng = np.random.default_rng(6)
    soundfile.write(tmp_path / "open.wav", 0.1 * heard(rng, 60.7, {1: -27, 2: -33, 3: 0, 6: -5, 9: -10}), RATE, subtype="FLOAT")
    words = ["analyze", str(tmp_path / "open.wav")]
    main(words)
    assert "second opinion" not in capsys.readouterr().out
    main([*words, "--second-opinion"])
    assert "open, second opinion on the speed: pYIN hears 182." in capsys.readouterr().out
    main([*words, "--second-opinion", "--speed", "3642rpm"])
    assert "second opinion" not in capsys.readouterr().out
