"""Bands that a codec, a rate or a sensor cuts."""

import subprocess
import time

import numpy as np
import pytest
import soundfile
from scipy.signal import firwin, lfilter

from tests.machine_sounds import bench, converted, recorded, upsampled
from tests.null_sink import lacking, null_sink
from tests.screened import ANY, RATE, encoded, found, share
from vibekit.recording import Channel, Recording
from vibekit.screening import screen


@pytest.mark.parametrize(
    ("kind", "codec", "bit_rate", "code"),
    [("m4a", "aac", 24_000, "voice-band"), ("m4a", "aac", 64_000, "band-limit"), ("webm", "libopus", 32_000, "band-limit")],
)
def test_a_phones_file_is_known_as_lossy_and_by_where_it_ends(tmp_path, kind, codec, bit_rate, code):
    for seed in range(3):
        recording = encoded(bench(seed)[1], RATE, tmp_path, kind, codec, bit_rate)
        codes = found(recording)
        assert codes["lossy"] == "note"
        assert codes[code] == ("warning" if code == "voice-band" else "note")
        assert "jump" not in codes
        assert screen(recording, ANY).levels_comparable is (code != "voice-band")


@pytest.mark.parametrize(("rate", "code"), [(8_000, "voice-band"), (16_000, "voice-band"), (22_050, "band-limit"), (32_000, "band-limit")])
def test_a_file_made_at_a_lower_rate_is_known(rate, code):
    assert share(lambda seed: recorded(upsampled(bench(seed, rate=rate)[1], rate, RATE), RATE), code, seeds=6) == 1


def test_a_telephone_band_is_known_and_its_edge_named():
    for seed in range(6):
        x = lfilter(firwin(301, [300, 3400], fs=RATE, pass_zero=False), 1, bench(seed)[1])  # ITU-T G.712 band, from memory
        detail = {p.code: p.detail for p in screen(recorded(x, RATE), ANY).problems}["voice-band"]
        assert 3.2 <= float(detail.split()[1]) <= 3.9


@pytest.mark.parametrize("corner", [1_000, 3_000, 8_000])
def test_a_sensors_slope_is_no_cliff(corner):
    """Fourth-order low-pass: 24 dB an octave, steeper than any sensor's resonance leaves."""

    def dulled(seed):
        _, x = bench(seed, converter=False)
        f = np.fft.rfftfreq(x.size, 1 / RATE)
        return recorded(np.fft.irfft(np.fft.rfft(x) / np.sqrt(1 + (f / corner) ** 8), x.size), RATE)

    assert share(dulled, "voice-band") == share(dulled, "band-limit") == 0


def test_a_sensor_without_a_filter_is_told_and_one_with_it_is_not():
    for seed in range(6):
        _, x = bench(seed, rate=3_200, converter=False)
        rough = 0.3 * x + 0.05 * np.random.default_rng(seed).standard_normal(x.size)
        assert found(recorded(rough, 3_200, bits=0, unit="g"))["no-filter"] == "note"
        assert "no-filter" not in found(recorded(converted(rough, 0.8), 3_200, bits=0, unit="g"))
        assert "no-filter" not in found(recorded(rough, 3_200))


def test_three_axes_without_a_filter_are_told_of_once():
    """One converter takes them all."""
    _, x = bench(1, rate=3_200, converter=False)
    rough = 0.3 * x + 0.05 * np.random.default_rng(1).standard_normal((3, x.size))
    three = Recording(rough, 3_200.0, tuple(Channel(name=axis, unit="g") for axis in "xyz"))
    told = [p.detail for p in screen(three, ANY).problems if p.code == "no-filter"]
    assert len(told) == 1
    assert told[0].startswith("The spectrum of channels x, y and z does not fall towards 1600 Hz")


@pytest.mark.parametrize("quality", ["MQ", "HQ", "VHQ"])
@pytest.mark.parametrize(("rate", "to"), [(44_100, 48_000), (48_000, 96_000), (44_100, 96_000)])
def test_the_rate_at_which_sound_was_made_is_named(quality, rate, to):
    soxr = pytest.importorskip("soxr", reason="soxr is not installed")
    for seed in range(4):
        x = soxr.resample(bench(seed, rate=rate)[1].astype(float), rate, to, quality=quality)
        (said,) = (p for p in screen(recorded(x, to), ANY).problems if p.code == "band-limit")
        assert said.severity == "note"
        assert f"sound made at {rate / 1000:g} kHz ends" in said.detail


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
def test_what_was_made_at_its_rate_is_not_called_resampled(rate):
    assert share(lambda seed: recorded(bench(seed, rate=rate)[1], rate), "band-limit", seeds=8) == 0


@pytest.mark.skipif(bool(lacking()), reason=lacking() or "a sound server is here")
@pytest.mark.parametrize(("runs_at", "told"), [(44_100, True), (48_000, False)])
def test_a_sound_server_that_resamples_in_silence_is_seen_through(tmp_path, runs_at, told):
    """PulseAudio gives 48 kHz to whoever asks; its source runs at another rate, or at that one."""
    played, heard = tmp_path / "played.wav", tmp_path / "heard.raw"
    soundfile.write(played, np.stack([0.9 * bench(1, rate=runs_at)[1]] * 2, 1), runs_at, subtype="PCM_16")
    with null_sink(tmp_path, runs_at) as sink:
        words = ["parec", "--device=vibe.monitor", "--rate=48000", "--channels=1", "--format=s16le", "--raw", heard]
        recording = subprocess.Popen(words)
        time.sleep(0.5)
        sink.play(played).wait(60)
        time.sleep(1)
        recording.terminate()
        recording.wait(10)
    x = np.fromfile(heard, "<i2") / 32768
    loud = np.flatnonzero(np.abs(x) > 0.003)
    x = x[loud[0] + 4800 : loud[-1] - 4800]
    assert x.size > 48_000
    said = [p.detail for p in screen(recorded(x, 48_000), ANY).problems if p.code == "band-limit"]
    assert ["sound made at 44.1 kHz ends" in detail for detail in said] == [True] * told
