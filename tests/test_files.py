"""Sound files in: against scipy's own reader, the G.711 tables, and tones made here; and what no recording is."""

import hashlib
import os
import subprocess
import sys

import av
import numpy as np
import pytest
import soundfile
from scipy.io import wavfile

from tests.open_data import needs_open_data, path
from vibekit.capture.files import EXTENSIONS, read_recording
from vibekit.errors import UnreadableError, UsageError

RATE = 44_100
NOISE = np.random.default_rng(1).uniform(-0.9, 0.9, (2, 5000)).astype(np.float32)


def sine(rate, seconds, frequency=1000.0, amplitude=0.5):
    return (amplitude * np.sin(2 * np.pi * frequency * np.arange(round(rate * seconds)) / rate)).astype(np.float32)


def encode(file, codec, rate, samples, **options):
    """Write (n,) samples as one sound track with FFmpeg."""
    with av.open(str(file), "w", options=options) as box:
        stream = box.add_stream(codec, rate=rate, layout="mono")
        frame = av.AudioFrame.from_ndarray(samples[None], format="fltp", layout="mono")
        frame.rate, frame.pts = rate, 0
        context = stream.codec_context
        parts = av.AudioResampler(format=context.format.name, layout="mono", rate=rate, frame_size=context.frame_size or 0)
        for part in [*parts.resample(frame), *parts.resample(None)]:
            box.mux(stream.encode(part))
        box.mux(stream.encode(None))


def tone(samples, rate, frequency):
    """Complex peak amplitude at a frequency, Hann window, the ends left out; its angle is 0 for a sine that starts at sample 0."""
    middle = slice(len(samples) // 8, -len(samples) // 8)
    time = np.arange(len(samples))[middle] / rate
    window = np.hanning(len(time))
    return 2j * np.sum(window * samples[middle] * np.exp(-2j * np.pi * frequency * time)) / window.sum()


@pytest.mark.parametrize(
    ("subtype", "step", "full_scale"),
    [
        ("PCM_16", 2**-15, 1 - 2**-15), ("PCM_24", 2**-23, 1 - 2**-23), ("PCM_32", 2**-31, 1 - 2**-31), ("PCM_U8", 2**-7, 1 - 2**-7),
        ("FLOAT", 0, None),
    ],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood:scipy.io.wavfile.WavFileWarning")
def test_wav_is_read_as_scipy_reads_it(tmp_path, subtype, step, full_scale):
    file = tmp_path / "north-east.wav"
    soundfile.write(file, NOISE.T, RATE, subtype)
    rate, stored = wavfile.read(file)
    if subtype == "PCM_U8":
        stored = stored.astype(np.int16) - 128
        step_as_scipy = 2**-7
    else:
        step_as_scipy = {"PCM_16": 2**-15, "PCM_24": 2**-31, "PCM_32": 2**-31, "FLOAT": 1}[subtype]  # scipy puts 24 bits on top of 32
    recording = read_recording(file)
    assert recording.samples.dtype == np.float32
    assert not recording.samples.flags.writeable
    np.testing.assert_allclose(recording.samples, stored.T * np.float64(step_as_scipy), atol=2**-25)  # half a step of float32 below 1
    np.testing.assert_allclose(recording.samples, NOISE, atol=max(step, 2**-25))
    assert (recording.rate_hz, recording.rate_u95_hz) == (rate, 0)
    assert (recording.source.encoding, recording.source.full_scale, recording.source.lossy) == (subtype, full_scale, "")
    assert [(c.name, c.role, c.unit) for c in recording.channels] == [("1", "vibration", "FS"), ("2", "vibration", "FS")]
    assert recording.source.sha256 == hashlib.sha256(file.read_bytes()).hexdigest()
    assert (recording.stamp_s, recording.start, recording.log) == (None, None, ())


@pytest.mark.parametrize(
    ("subtype", "codes", "values"),
    [("ULAW", [0x80, 0x00, 0xFF, 0xF0], [32124, -32124, 0, 120]), ("ALAW", [0xAA, 0x2A, 0xD5, 0x55], [32256, -32256, 8, -8])],
)
def test_companded_wav_follows_the_tables_of_g711(tmp_path, subtype, codes, values):
    """ITU-T G.711, tables 1 and 2, scaled to 16 bit as decoders do (from memory)."""
    file = tmp_path / "call.wav"
    soundfile.write(file, np.zeros(64), 8000, subtype)
    content = file.read_bytes()
    at = content.index(b"data") + 8
    file.write_bytes(content[:at] + bytes(codes * 16) + content[at + 64 :])
    recording = read_recording(file)
    np.testing.assert_array_equal(recording.samples[0][:4] * 32768, values)
    assert recording.source.full_scale == max(values) / 32768


def test_flac_is_lossless(tmp_path):
    file = tmp_path / "a.flac"
    soundfile.write(file, NOISE.T, RATE, "PCM_24")
    recording = read_recording(file)
    np.testing.assert_allclose(recording.samples, NOISE, atol=2**-23)
    assert (recording.source.full_scale, recording.source.lossy) == (1 - 2**-23, "")


@pytest.mark.parametrize(
    ("name", "kind", "lossy"),
    [
        ("a.ogg", ("OGG", "VORBIS"), "vorbis"),
        ("a.opus", ("OGG", "OPUS"), "opus"),
        ("a.mp3", ("MP3", "MPEG_LAYER_III"), "mp3"),
    ],
)
def test_lossy_sound_files_say_so_and_keep_tone_and_length(tmp_path, name, kind, lossy):
    rate = 48_000
    soundfile.write(tmp_path / name, sine(rate, 2), rate, format=kind[0], subtype=kind[1])
    recording = read_recording(tmp_path / name)
    assert (recording.source.lossy, recording.source.full_scale) == (lossy, None)
    assert recording.rate_hz == rate
    assert recording.samples.shape == (1, 2 * rate)
    assert tone(recording.samples[0], rate, 1000) == pytest.approx(0.5, abs=0.01)


@pytest.mark.parametrize(
    ("name", "codec", "rate", "lossy", "full_scale"),
    [
        ("a.m4a", "aac", 48_000, "aac", None), ("a.m4a", "aac", 44_100, "aac", None), ("a.mp4", "aac", 16_000, "aac", None),
        ("a.3gp", "aac", 48_000, "aac", None), ("a.webm", "libopus", 48_000, "opus", None), ("b.m4a", "alac", 44_100, "", 1 - 2**-23),
        ("a.mov", "pcm_s16le", 44_100, "", 1 - 2**-15), ("a.mka", "flac", 44_100, "", 1 - 2**-15), ("b.mov", "pcm_f32le", 44_100, "", None),
    ],
)  # fmt: skip
def test_phone_containers_keep_tone_phase_and_length(tmp_path, name, codec, rate, lossy, full_scale):
    encode(tmp_path / name, codec, rate, sine(rate, 2.5))
    recording = read_recording(tmp_path / name)
    assert recording.rate_hz == rate
    assert recording.samples.dtype == np.float32
    assert recording.samples.shape == (1, pytest.approx(2.5 * rate, abs=0.0011 * rate))  # mp4 states lengths in ms
    assert tone(recording.samples[0], rate, 1000) == pytest.approx(0.5, abs=0.006)  # complex: amplitude and start within 2 us
    assert (recording.source.lossy, recording.source.full_scale) == (lossy, full_scale)
    assert recording.channels[0].unit == "FS"


def test_eight_channels_come_in_order(tmp_path):
    samples = np.arange(1, 9, dtype=np.float32)[:, None] * sine(8000, 0.5, 50, 0.1)
    with av.open(str(tmp_path / "a.mka"), "w") as box:
        stream = box.add_stream("pcm_f32le", rate=8000, layout="7.1")
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(samples.T).reshape(1, -1), format="flt", layout="7.1")
        frame.rate, frame.pts = 8000, 0
        box.mux([*stream.encode(frame), *stream.encode(None)])
    np.testing.assert_array_equal(read_recording(tmp_path / "a.mka").samples, samples)


def test_a_raw_aac_stream_warns_of_its_lead_in(tmp_path):
    encode(tmp_path / "a.aac", "aac", 48_000, sine(48_000, 1))
    recording = read_recording(tmp_path / "a.aac")
    assert any("first 1024 samples" in line for line in recording.log)
    assert abs(tone(recording.samples[0], 48_000, 1000)) == pytest.approx(0.5, abs=0.006)


def test_a_film_without_sound_is_refused(tmp_path):
    with av.open(str(tmp_path / "mute.mp4"), "w") as box:
        stream = box.add_stream("mpeg4", rate=10, width=16, height=16, pix_fmt="yuv420p")
        for _ in range(3):
            box.mux(stream.encode(av.VideoFrame(16, 16, "yuv420p")))
        box.mux(stream.encode(None))
    with pytest.raises(UnreadableError, match="no sound"):
        read_recording(tmp_path / "mute.mp4")


def test_a_playlist_named_as_a_film_opens_nothing_else(tmp_path):
    soundfile.write(tmp_path / "other.wav", NOISE.T, RATE)
    (tmp_path / "list.mp4").write_text(f"#EXTM3U\n#EXTINF:1,\nfile:{tmp_path / 'other.wav'}\n")
    (tmp_path / "list.webm").write_text(f"ffconcat version 1.0\nfile {tmp_path / 'other.wav'}\n")
    for name in ("list.mp4", "list.webm"):
        with pytest.raises(UnreadableError, match="cannot be read as"):
            read_recording(tmp_path / name)


@pytest.fixture
def stereo(tmp_path):
    file = tmp_path / "clamp.wav"
    soundfile.write(file, NOISE.T, RATE, "PCM_16")
    return file


def test_unit_and_sensitivity_calibrate_sound(stereo):
    plain = read_recording(stereo)
    pascal = read_recording(stereo, unit="Pa", sensitivity=20)
    np.testing.assert_allclose(pascal.samples, plain.samples * 20, rtol=1e-6)
    assert pascal.samples.dtype == np.float32
    assert pascal.source.full_scale == pytest.approx(20 * (1 - 2**-15))
    assert {c.unit for c in pascal.channels} == {"Pa"}
    assert "calibrated: 1 as stored is 20 Pa" in pascal.log
    taken = read_recording(stereo, unit="g")
    np.testing.assert_array_equal(taken.samples, plain.samples)
    assert (taken.channels[0].unit, taken.source.full_scale) == ("g", 1 - 2**-15)


def test_only_vibration_channels_are_calibrated(stereo):
    recording = read_recording(stereo, roles=["vibration", "tacho"], unit="m/s2", sensitivity=100)
    assert [(c.role, c.unit) for c in recording.channels] == [("vibration", "m/s2"), ("tacho", "FS")]
    np.testing.assert_allclose(np.abs(recording.samples).max(axis=1), [90, 0.9], rtol=0.01)


def test_ignored_channels_are_dropped_and_logged(stereo):
    recording = read_recording(stereo, roles=["ignore", "vibration"])
    assert [c.name for c in recording.channels] == ["2"]
    np.testing.assert_allclose(recording.samples[0], NOISE[1], atol=2**-15)
    assert "channels kept, the others ignored as asked: 2" in recording.log


@pytest.mark.parametrize(
    ("stated", "message"),
    [
        ({"roles": ["vibration"]}, r"clamp.wav: 1 roles are given \(vibration\); give one for each of the 2 channels \(1, 2\)"),
        ({"roles": ["vibration", "noise"]}, "role is 'noise'; choose one of"), ({"roles": ["ignore", "ignore"]}, "each channel is ignored"),
        ({"unit": "dB"}, "unit is 'dB'; choose one of 'g'"), ({"unit": "rpm"}, "unit is 'rpm'"), ({"sensitivity": 2.0}, "needs a unit"),
        ({"unit": "FS", "sensitivity": 2.0}, "needs a unit"), ({"unit": "g", "sensitivity": 0.0}, "must be above 0"),
        ({"unit": "g", "sensitivity": float("nan")}, "must be above 0"), ({"columns": ["x"]}, "columns is .* text log only"),
        ({"time_unit": "ms"}, "text log only"), ({"rate_hz": 8000.0}, "text log only"),
    ],
)  # fmt: skip
def test_what_cannot_be_stated_is_refused(stereo, stated, message):
    with pytest.raises(UsageError, match=message):
        read_recording(stereo, **stated)


@pytest.mark.parametrize(("bad", "message"), [(np.nan, "nan"), (np.inf, "inf"), (-np.inf, "-inf")])
def test_what_is_no_finite_number_is_refused_with_its_place(tmp_path, bad, message):
    samples = NOISE.copy()
    samples[1, 1233:1240] = bad
    soundfile.write(tmp_path / "a.wav", samples.T, RATE, "FLOAT")
    with pytest.raises(UnreadableError, match=f"a.wav: channel 2: sample 1234 is {message}; replace or cut"):
        read_recording(tmp_path / "a.wav")


def test_a_sensitivity_beyond_float32_is_refused(stereo):
    with pytest.raises(UnreadableError, match="too large"):
        read_recording(stereo, unit="Pa", sensitivity=1e39)


def test_one_sample_and_silence_are_read_for_screening_to_judge(tmp_path):
    soundfile.write(tmp_path / "one.wav", [0.25], RATE)
    assert read_recording(tmp_path / "one.wav").samples.tolist() == [[0.25]]
    soundfile.write(tmp_path / "silence.wav", np.zeros(1000), RATE)
    assert not read_recording(tmp_path / "silence.wav").samples.any()


def test_a_wav_whose_recorder_died_is_read_to_its_end(stereo):
    content = stereo.read_bytes()
    stereo.write_bytes(content[: len(content) // 2])
    recording = read_recording(stereo)
    assert recording.samples.shape[1] == pytest.approx(2500, abs=12)
    np.testing.assert_allclose(recording.samples, NOISE[:, : recording.samples.shape[1]], atol=2**-15)


def bad_files(folder):
    (folder / "empty.wav").touch()
    (folder / "text.wav").write_text("The motor ground badly.\n" * 50)
    (folder / "text.m4a").write_text("The motor ground badly.\n" * 50)
    (folder / "bench.csv").mkdir()
    (folder / "notes.pdf").write_text("x")
    (folder / "plain").write_text("x")
    soundfile.write(folder / "none.wav", np.zeros((0, 1)), RATE)
    (folder / "header.csv").write_text("time,x,y\n")
    return {
        "empty.wav": "it is empty", "text.wav": "cannot be read as wav", "text.m4a": "cannot be read as m4a", "bench.csv": "a folder",
        "notes.pdf": r"its name ends in .pdf; the kit reads .wav", "plain": "ends in no extension", "none.wav": "holds no samples",
        "header.csv": "no rows of numbers", "absent.wav": "there is no such file", "a\0b.wav": "cannot be opened",
        "x" * 300 + ".wav": "cannot be opened",
    }  # fmt: skip


def test_what_is_no_recording_is_refused_in_one_line(tmp_path):
    for name, message in bad_files(tmp_path).items():
        with pytest.raises(UnreadableError, match=message) as refused:
            read_recording(tmp_path / name)
        assert str(refused.value).startswith(str(tmp_path))
        assert "\n" not in str(refused.value)


@pytest.mark.parametrize(("true", "named"), [(".wav", ".mp3"), (".wav", ".m4a"), (".flac", ".mp3"), (".m4a", ".wav"), (".m4a", ".mp3")])
def test_a_file_whose_name_ends_in_another_kind_is_told_its_own(tmp_path, true, named):
    file = tmp_path / f"north-east{true}"
    encode(file, "aac", RATE, sine(RATE, 0.5)) if true == ".m4a" else soundfile.write(file, sine(RATE, 0.5), RATE)
    with pytest.raises(UnreadableError, match=f"it begins as a {true} file does"):
        read_recording(file.rename(file.with_suffix(named)))


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_a_file_one_may_not_read_is_refused(stereo):
    stereo.chmod(0)
    with pytest.raises(UnreadableError, match=r"cannot be opened \(Permission denied\)"):
        read_recording(stereo)


def test_extensions_are_told_apart_without_regard_to_case(stereo):
    loud = stereo.rename(stereo.with_suffix(".WAV"))
    assert read_recording(str(loud)).rate_hz == RATE
    assert len(set(EXTENSIONS)) == len(EXTENSIONS)


def test_large_sound_is_read_without_a_second_copy(tmp_path):
    """Peak memory of a fresh process: the samples as float32 and little more (a float64 copy would be three times that)."""
    samples = np.zeros(30_000_000, dtype=np.int16)
    samples[::7] = 1000
    soundfile.write(tmp_path / "long.wav", samples, 48_000)
    program = (
        "import resource, sys; from vibekit.capture.files import read_recording; import soundfile, vibekit.capture.files\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "recording = read_recording(sys.argv[1])\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before, recording.samples.nbytes)"
    )
    done = subprocess.run([sys.executable, "-c", program, tmp_path / "long.wav"], capture_output=True, text=True, check=True)
    grown, held = map(int, done.stdout.split())
    assert grown * 1024 < 1.2 * held


def test_importing_the_reader_loads_no_sound_library():
    program = "import sys, vibekit.capture.files; print(sorted({'soundfile', 'av', 'scipy', 'matplotlib'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout == "[]\n"


@needs_open_data
@pytest.mark.filterwarnings("ignore:Chunk .non-data. not understood:scipy.io.wavfile.WavFileWarning")
@pytest.mark.parametrize(
    "name",
    [
        "cwru/de_106.wav", "mfpt/OuterRaceFault_vload_1.wav", "flights/0000_01_ch1.wav",
        "motors/Motor1_Healthy_NewBearingHi-Fi_7_7cm_50Hz.wav",
    ],
)  # fmt: skip
def test_open_recordings_are_read_as_scipy_reads_them(name):
    rate, stored = wavfile.read(path(name))
    scale = {"float32": 1.0, "int16": 2.0**-15, "int32": 2.0**-31}[stored.dtype.name]
    recording = read_recording(path(name))
    assert recording.rate_hz == rate
    np.testing.assert_allclose(recording.samples, np.atleast_2d(stored.T) * scale, atol=1e-7)
