"""Sounds of a motor as an honest sensor gives them, and what can go wrong on the way: signals of known truth for screening.

Independent of the rig on purpose: plain sums of what a turning machine radiates, with everything drawn at random.
"""

from fractions import Fraction

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft
from scipy.signal import resample_poly

from vibekit.recording import Channel, Recording, Source

SOUND_RATE = 2_000  # from here up the rates are those of sound


def machine(rng, rate, seconds, *, shaft=None, wander=None, struck=None):
    """Harmonics of a wandering shaft, coloured noise, in a third of the cases impacts that ring; largest magnitude 1. Shape (n,)."""
    n = int(rate * seconds)
    time = np.arange(n) / rate
    shaft = shaft or np.exp(rng.uniform(np.log(5), np.log(min(250, rate / 2.5))))
    wander = rng.uniform(0, 0.01) if wander is None else wander
    turns = np.cumsum(shaft * (1 + wander * np.sin(2 * np.pi * rng.uniform(0.05, 0.6) * time + rng.uniform(0, 6)))) / rate
    x = np.zeros(n)
    once = np.exp(2j * np.pi * turns)
    turned = np.ones(n, complex)
    for order in range(1, 13):
        turned *= once
        if order * shaft < 0.45 * rate:
            x += (rng.lognormal(-1 - 0.3 * order, 1) * np.exp(1j * rng.uniform(0, 6)) * turned).real
    noise = coloured(rng, n)
    x += noise / noise.std() * rng.lognormal(-1, 1) * x.std()
    if rng.random() < 0.35 if struck is None else struck:
        x += impacts(rng, rate, n, shaft) * rng.lognormal(0.5, 0.8) * x.std()
    return x / np.abs(x).max()


def coloured(rng, n):
    """Noise that falls towards high frequency and has up to five resonances. Shape (n,)."""
    f = np.fft.rfftfreq(n)
    shape = (1 + (f / rng.uniform(0.01, 0.15)) ** 2) ** -rng.uniform(0.15, 0.75)
    for _ in range(rng.integers(1, 6)):
        centre, sharp = rng.uniform(0.01, 0.45), rng.uniform(3, 40)
        shape = shape + rng.uniform(0.5, 25) * np.median(shape) / sharp / np.sqrt((1 - (f / centre) ** 2) ** 2 + (f / centre / sharp) ** 2)
    return irfft(rfft(rng.standard_normal(n)) * shape, n)


def impacts(rng, rate, n, shaft):
    """Ringing impacts, at a defect order with 1 % slip or at random times as grit makes them. Shape (n,)."""
    every = rate / (shaft * rng.uniform(2.2, 5.5))
    at = np.cumsum(every * (1 + 0.01 * rng.standard_normal(int(n / every) + 2)))
    if rng.random() < 0.4:
        at = rng.uniform(0, n, int(n / rate * rng.uniform(5, 100)))
    train = np.zeros(n)
    train[at[at < n - 1].astype(int)] = rng.lognormal(0, 0.4, np.count_nonzero(at < n - 1))
    time = np.arange(int(0.02 * rate) + 8)
    pitch = 2 * np.pi * rng.uniform(0.05, 0.35)
    ring = np.exp(-time * pitch * rng.uniform(0.01, 0.06)) * np.sin(pitch * time)
    m = next_fast_len(n + ring.size, real=True)
    return irfft(rfft(train, m) * rfft(ring, m), m)[:n]


def converted(x, knee=0.93):
    """What a converter's own low-pass filter leaves: flat to `knee` of half the rate, 60 dB down at half the rate."""
    spectrum = rfft(x)
    f = np.arange(spectrum.size) / spectrum.size
    return irfft(spectrum * np.where(f < knee, 1.0, 10 ** (-3 * (f - knee) / (1 - knee))), x.size)


def recorded(x, rate, *, bits=16, unit="FS", **source):
    """A recording of channels x (n,) or (channels, n), rounded to `bits` (0: not) and held within full scale."""
    x = np.atleast_2d(x)
    full = None
    if bits:
        step = 2.0 ** (1 - bits)
        full = 1 - step
        x = np.clip(np.round(x / step) * step, -1, full)
    channels = tuple(Channel(unit=unit, name=str(k + 1)) for k in range(len(x)))
    return Recording(x.astype(np.float32), float(rate), channels, Source(encoding=f"PCM_{bits}", full_scale=full, **source))


def clean(seed, rate, seconds):
    """One honest recording: any depth, any loudness, with sensor noise; a low rate gives m/s2 without a full scale."""
    rng = np.random.default_rng(seed)
    x = machine(rng, rate, seconds)
    if rate > SOUND_RATE and rng.random() < 0.7:
        x = converted(x, rng.uniform(0.9, 0.97))
    x = x * 10 ** rng.uniform(-1.5, -0.1) + rng.standard_normal(x.size) * 10 ** rng.uniform(-5, -3.5)
    if rate < SOUND_RATE:
        step = rng.choice([0.0, 0.01, 0.03])
        return recorded(40 * x if not step else np.round(40 * x / step) * step, rate, bits=0, unit="m/s2")
    return recorded(x, rate, bits=rng.choice([0, 16, 24]))


def bench(seed, seconds=1.5, rate=48_000, *, converter=True, **kind):
    """A motor on the bench at 48 kHz unless told, levels near 0.2 of full scale with a quiet sensor: (generator, samples)."""
    rng = np.random.default_rng(seed)
    x = machine(rng, rate, seconds, shaft=rng.uniform(60, 200), **kind)
    x = 0.2 * (converted(x) if converter else x) + 3e-5 * rng.standard_normal(x.size)
    return rng, x


def upsampled(x, rate, to):
    """What a good resampler makes of it."""
    ratio = Fraction(to, rate)
    return resample_poly(x, ratio.numerator, ratio.denominator)
