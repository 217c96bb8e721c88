"""What the tests of screening share: codes that are found, how often, and where faults are put."""

import av
import numpy as np

from vibekit.capture.files import read_recording
from vibekit.screening import screen
from vibekit.settings import Settings

RATE, SLOWER = 48_000, 16_000
ANY = Settings()


def found(recording, settings=ANY):
    return {problem.code: problem.severity for problem in screen(recording, settings).problems}


def share(make, code, seeds=8, severity=None):
    """Part of the seeds for which the code is found, with this severity where one is named."""
    hits = [found(make(seed)).get(code) for seed in range(seeds)]
    return np.mean([hit is not None and (severity is None or hit == severity) for hit in hits])


def places(rng, x, count):
    """Places at random, one in each of `count` equal pieces, far from the ends and from each other."""
    piece = x.size // (count + 1)
    return np.arange(1, count + 1) * piece + rng.integers(-piece // 4, piece // 4, count)


def encoded(x, rate, folder, kind, codec, bit_rate):
    """A file as a phone writes it, made with FFmpeg."""
    file = folder / f"sound.{kind}"
    with av.open(str(file), "w") as box:
        stream = box.add_stream(codec, rate=rate, layout="mono")
        stream.bit_rate = bit_rate
        frame = av.AudioFrame.from_ndarray(x.astype(np.float32)[None], format="fltp", layout="mono")
        frame.sample_rate = rate
        fit = av.AudioResampler(format=stream.codec_context.format.name, layout="mono", rate=rate)
        queue = av.AudioFifo()
        for piece in fit.resample(frame) + fit.resample(None):
            piece.pts = None
            queue.write(piece)
        while (piece := queue.read(stream.codec_context.frame_size or 960) or queue.read(0)) is not None:
            box.mux(stream.encode(piece))
        box.mux(stream.encode(None))
    return read_recording(file)
