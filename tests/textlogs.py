"""A made log: 400 rows at 100 Hz of two sines."""

import numpy as np

N = np.arange(400)
T = N / 100
X = np.sin(2 * np.pi * 7 * T)
Y = np.cos(2 * np.pi * 11 * T)


def table(*columns, form="%.6f", between=",", end="\n"):
    return "".join(between.join(form % value for value in row) + end for row in zip(*columns, strict=True))
