"""Measuring simulated recordings by what is known to be true about them: plain projections and transforms, none of the kit's own."""

import math

import numpy as np
from scipy import fft


def line(recording, truth, order, row=0):
    """Complex peak amplitude at an order that is a multiple of a half."""
    return lines(recording, truth, [round(2 * order)], row)[0]


def lines(recording, truth, half_orders, row=0):
    """Complex peak amplitudes at ascending half orders (twice the order), by projection on the true turns over an even number of them."""
    turns = truth.turns[0]
    kept = turns < turns[0] + 2 * math.floor((turns[-1] - turns[0]) / 2)
    step = np.gradient(turns)[kept]
    back = np.exp(-1j * np.pi * turns[kept])
    turned, at, found = step * recording.samples[row][kept] / step.sum(), 0, []
    for half in half_orders:
        for _ in range(half - at):
            turned = turned * back
        at = half
        found.append(2 * complex(turned.sum()))
    return np.array(found)


def squared_envelope(recording, low, high):
    """Spectrum of the squared envelope over its mean, and the frequencies."""
    n = recording.samples.shape[1]
    spectrum = fft.fft(_tapered(recording))
    frequency = fft.fftfreq(n, 1 / recording.rate_hz)
    spectrum[(frequency < low) | (frequency > high)] = 0
    envelope = np.abs(2 * fft.ifft(spectrum)) ** 2
    return fft.rfftfreq(n, 1 / recording.rate_hz), 2 * np.abs(fft.rfft(envelope)) / n / envelope.mean()


def band_rms(recording, low, high):
    """Rms between two frequencies."""
    frequency, spectrum = fft.rfftfreq(recording.samples.shape[1], 1 / recording.rate_hz), fft.rfft(_tapered(recording))
    kept = (frequency >= low) & (frequency <= high)
    return math.sqrt(2 * np.sum(np.abs(spectrum[kept]) ** 2)) / recording.samples.shape[1]


def _tapered(recording):
    """First channel with its ends let down over 1 % of the length, so that cutting it makes no click."""
    n = recording.samples.shape[1]
    edge = np.minimum(1, np.minimum(np.arange(n), np.arange(n)[::-1]) / (0.01 * n))
    return recording.samples[0] * np.sin(edge * np.pi / 2) ** 2
