from dataclasses import replace

import numpy as np

from tests.readings import READING
from vibekit.reading import Quantity
from vibekit.remake import differences
from vibekit.screening import Problem, Screening


def test_the_same_numbers_are_the_same_whatever_file_and_engine():
    assert differences(READING, replace(READING, file="elsewhere.wav", engine="9.9")) == ()


def test_rounding_in_the_last_digits_is_no_change():
    line = READING.orders[0]
    assert differences(READING, replace(READING, orders=(replace(line, amplitude=line.amplitude * (1 + 1e-12)), *READING.orders[1:]))) == ()
    curve = READING.curves[0]
    assert differences(READING, replace(READING, curves=(replace(curve, y=curve.y * (1 + 1e-12)),))) == ()


def test_every_number_that_differs_is_named_with_both_values():
    line = READING.orders[0]
    curve = READING.curves[0]
    y = curve.y.copy()
    y[7] *= 2
    new = replace(
        READING,
        duration_s=2.6,
        speed=replace(READING.speed, method="estimated", rpm=6013.0),
        orders=(replace(line, amplitude=0.02), *READING.orders[1:]),
        curves=(replace(curve, y=y),),
    )
    assert differences(READING, new) == (
        "duration_s: 2.5, now 2.6",
        "speed method: tacho, now estimated",
        "speed rpm: 6012.5, now 6013",
        "orders 1x amplitude: 0.0123, now 0.02",
        f"curves order y: 1 of 501 values differ, at most by {curve.y[7]:.3g}",
    )


def test_what_came_and_went_is_named():
    new = replace(
        READING,
        quantities=(*READING.quantities, Quantity("impulsiveness", 1.0, 0.1, "")),
        screening=Screening(READING.screening.problems[:1]),
        curves=(replace(READING.curves[0], x=np.zeros(3), y=np.zeros(3)),),
        log=("mean removed", "resampled"),
    )
    assert differences(READING, new) == (
        "screening problems clipping: gone",
        "quantities impulsiveness: new",
        "curves order x: 501 values, now 3",
        "curves order y: 501 values, now 3",
        "log #2: new",
    )


def test_labels_tell_repeated_names_apart():
    twice = (*READING.screening.problems, Problem("hum", "note", "a line at 100 Hz"))
    old = replace(READING, screening=Screening(twice))
    new = replace(READING, screening=Screening((*twice[:2], Problem("hum", "note", "a line at 150 Hz"))))
    assert differences(old, new) == ("screening problems hum #2 detail: a line at 100 Hz, now a line at 150 Hz",)
