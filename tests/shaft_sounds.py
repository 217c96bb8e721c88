"""Sums of orders in coloured noise: shafts of known speed for the speed tests, independent of the rig and of the kit."""

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, rfft

MOST = 40


@dataclass(frozen=True)
class Shaft:
    """samples: (n,) float32; speed_hz: (n,) at the samples; snr_db: height of each order over the noise in a spectrum of all of it."""

    samples: np.ndarray
    rate_hz: float
    speed_hz: np.ndarray
    blades: int
    poles: int
    snr_db: dict[int, float]

    @property
    def mean_hz(self):
        return float(self.speed_hz.mean())

    @property
    def is_settled(self):
        """For every multiple that could be taken for the shaft, an order that is none of its multiples stands 10 dB above its floor."""
        high = [order for order, snr in self.snr_db.items() if snr > 10]
        return len(high) > 1 and all(any(order % multiple for order in high) for multiple in range(2, 7))


def coloured(rng, n, slope=None):
    """Noise that falls by 0 to 6 dB an octave and has three resonances, standard deviation 1. Shape (n,), float32."""
    spectrum = rfft(rng.standard_normal(n).astype(np.float32))
    part = np.maximum(np.arange(spectrum.size), 1) / spectrum.size
    gain = part ** -((rng.uniform(0, 2) if slope is None else slope) / 2)
    for _ in range(3):
        at, q = rng.uniform(0.02, 0.9), rng.uniform(5, 25)
        gain = gain * np.abs(1 + rng.uniform(0, 3) / (1 + 1j * q * (part / at - at / part)))
    noise = irfft(spectrum * gain, n)
    return (noise / noise.std()).astype(np.float32)


def walk(rng, n, rate, hz, wander):
    """Speed (n,) that walks at random, eight steps a second, with a relative standard deviation of `wander` over the record."""
    steps = np.cumsum(rng.standard_normal(max(int(8 * n / rate), 4)))
    steps -= steps.mean()
    return hz * (1 + wander * np.interp(np.arange(n), np.linspace(0, n - 1, steps.size), steps / steps.std()))


def orders(rng, speed_hz, rate, level_db):
    """Sum of cosines (n,): level_db gives the amplitude of each order, phases are random."""
    turn = np.exp(2j * np.pi * (np.cumsum(speed_hz) / rate % 1)).astype(np.complex64)
    line = np.zeros(max(level_db) + 1, np.complex64)
    for order in sorted(level_db):
        if order * speed_hz.max() < 0.45 * rate:
            line[order] = 10 ** (level_db[order] / 20) * np.exp(1j * rng.uniform(0, 2 * np.pi))
    total = np.zeros_like(turn)
    for each in line[:0:-1]:  # Horner
        total = (total + each) * turn
    return total.real.astype(np.float64)


def hum(rng, n, rate, mains=50.0, level_db=(-40, -5)):
    """Harmonics of mains, up to the sixth, 200 ppm off its nominal frequency. Shape (n,)."""
    return orders(rng, np.full(n, mains * (1 + 2e-4 * rng.standard_normal())), rate, {k: rng.uniform(*level_db) for k in range(1, 7)})


def draw_levels(rng, blades, poles, highest):
    """Level of each order, dB: blade pass highest and falling 4 dB a multiple, order 1 10 dB below, others 16 dB and falling, the
    electrical orders at least -12 dB; each scattered by 8 dB. blades, poles: 0 for none."""
    level = {}
    for order in range(1, min(MOST, highest) + 1):
        usual = (-10.0 if blades else -3.0) if order == 1 else (-16.0 if blades else -10.0) - 1.2 * order
        if blades and order % blades == 0:
            usual = -4 * (order / blades - 1)
        if poles and order in (poles // 2, poles, 3 * poles):
            usual = max(usual, -12.0)
        level[order] = usual + 8 * rng.standard_normal()
    return level


def draw(rng, seconds=2.5, rate=16_000):
    """A motor of 1 000 to 60 000 rpm, bare or with 2 to 5 blades, 12 to 28 poles, at 15 to -25 dB of its highest order to the noise."""
    n = int(seconds * rate)
    hz = np.exp(rng.uniform(np.log(1_000), np.log(60_000))) / 60
    blades, poles, wander = int(rng.choice([0, 2, 3, 4, 5])), int(rng.choice(np.arange(12, 29, 2))), 10 ** rng.uniform(-4, -2.3)
    level = draw_levels(rng, blades, poles, int(0.45 * rate / hz))
    speed = walk(rng, n, rate, hz, wander)
    noise = coloured(rng, n) * 10 ** ((max(level.values()) - rng.uniform(-25, 15)) / 20) / np.sqrt(2)
    density = np.abs(rfft(noise)) ** 2 * 2 / n / rate
    snr = {}
    for order, db in level.items():
        at, wide = int(order * hz * n / rate), max(int(30 * n / rate), 5)
        width = max(1.5 * rate / n, 2 * order * hz * wander)
        snr[order] = 10 * np.log10(10 ** (db / 10) / 2 / (density[max(at - wide, 1) : at + wide].mean() * width))
    samples = orders(rng, speed, rate, level) + noise
    if rng.random() < 0.3:
        mains = rng.choice([50.0, 60.0])
        samples = samples + 10 ** (max(level.values()) / 20) * hum(rng, n, rate, mains)
        hidden = [k for k in snr if k * hz < 6.5 * mains and abs(k * hz - round(k * hz / mains) * mains) < 2 / seconds]
        snr |= dict.fromkeys(hidden, -99.0)  # its floor there is a line of the mains
    return Shaft(samples.astype(np.float32), rate, speed, blades, poles, snr)
