"""Samples that were not measured: a slow sensor's value written again and again, or values put in between by a crude resampler."""

import numpy as np

from vibekit.screen.overview import Overview

HELD = 0.4  # share of samples equal to the one before
STEPS = 8.0  # quantisation steps of a usual change: a coarse sensor changes by one
FACTORS = (6, 4, 3, 2)
STRAIGHT = 1e-3  # bend at the in-between samples against that at the others, power
SOME = 120_000


def times_held(overview: Overview) -> float:
    """How many times each value stands in a row on average; 1 when neighbours differ, or are alike only because steps are coarse."""
    x = overview.x[:SOME]
    free = (x[1:] < overview.high) & (x[1:] > overview.low)  # cut tops stand still too
    change = np.diff(x)[free]
    moves = change != 0
    count = int(moves.sum())
    if count == 0 or 1 - count / change.size < HELD:
        return 1.0
    if float(np.median(np.abs(change[moves]))) < STEPS * overview.step:
        return 1.0
    return change.size / count


def times_interpolated(overview: Overview) -> int:
    """Every how many samples one was measured, those between lying on straight lines; 1 when all were."""
    bend = np.diff(overview.x[:SOME].astype(np.float64), 2) ** 2
    if float(bend.mean()) <= 36 * overview.step**2:
        return 1
    for factor in FACTORS:
        phases = np.array([bend[k::factor].mean() for k in range(factor)])
        if np.sort(phases)[-2] < STRAIGHT * phases.max():
            return factor
    return 1
