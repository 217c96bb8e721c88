"""Decibels of natural logarithms."""

import math

NEPER_DB = 20 / math.log(10)  # of a factor e of amplitude (ISO 80000-3)
POWER_DB = NEPER_DB / 2  # of a factor e of power
