import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from tests.readings import DIAGNOSIS, READING
from vibekit.errors import UnreadableError
from vibekit.finding import Diagnosis
from vibekit.packing import pack, unpack
from vibekit.reading import Curve, Quantity, Reading
from vibekit.settings import Settings


def through_json(kind, value):
    return unpack(kind, json.loads(json.dumps(pack(value), allow_nan=False)))


def same(one, other):
    """Equal to the last bit: repr tells -0.0 from 0.0 and shows NaN; arrays are compared byte by byte."""
    arrays = [(a, b) for a, b in zip(one.curves, other.curves, strict=True)]
    bare = repr(one.__class__(**{**fields(one), "curves": ()})) == repr(other.__class__(**{**fields(other), "curves": ()}))
    return bare and all(
        a.x.tobytes() == b.x.tobytes() and a.y.tobytes() == b.y.tobytes() and a.x.dtype == b.x.dtype and a.x.shape == b.x.shape
        for a, b in arrays
    )


def fields(value):
    return {name: getattr(value, name) for name in value.__dataclass_fields__}


def test_a_reading_comes_back_to_the_last_bit():
    back = through_json(Reading, READING)
    assert same(back, READING)
    assert not back.curves[0].x.flags.writeable
    assert through_json(Settings, READING.settings) == READING.settings
    assert through_json(Diagnosis, DIAGNOSIS) == DIAGNOSIS


@settings(deadline=None)
@given(st.floats(), st.floats(width=32))
def test_any_float_comes_back(value, other):
    back = through_json(Quantity, Quantity("kurtosis", value, np.float32(other), ""))
    assert repr(back.value) == repr(value)
    assert repr(back.u95) == repr(float(other))


@settings(deadline=None)
@given(arrays(st.sampled_from([np.float64, np.float32, np.dtype(">f8")]), st.integers(0, 50)))
def test_any_array_comes_back(values):
    back = through_json(Curve, Curve("psd", values, values[::-1], "Hz", "g2/Hz", 1.0))
    np.testing.assert_array_equal(back.x, values)
    np.testing.assert_array_equal(back.y, values[::-1])
    assert back.x.dtype.kind == "f"
    assert back.x.dtype.itemsize == values.dtype.itemsize


def test_arrays_are_kept_small():
    spectrum = np.abs(np.random.default_rng(1).normal(size=8192))
    curve = Curve("order", np.arange(8192) * (100 / 8192), spectrum, "order", "FS", 0.02)
    assert len(json.dumps(pack(curve))) < 0.55 * len(json.dumps([curve.x.tolist(), curve.y.tolist()]))


def test_older_data_open_with_the_defaults():
    assert unpack(Settings, {"test": "bare"}) == Settings(test="bare")


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        (Settings, {"test": "bare", "phase_of_the_moon": 1}),
        (Settings, {"test": "spin"}),
        (Settings, {"blades": "two"}),
        (Settings, []),
        (Quantity, {"name": "kurtosis"}),
        (Quantity, {"name": "kurtosis", "value": "much", "u95": 1.0, "unit": ""}),
        (Curve, {**pack(READING.curves[0]), "x": {"dtype": "<f8", "shape": [2], "planes": "AAAA"}}),
        (Reading, {**pack(READING), "channels": [["vibration"]]}),
    ],
)
def test_data_that_do_not_fit_are_refused_in_one_line(kind, data):
    with pytest.raises(UnreadableError, match=kind.__name__) as caught:
        unpack(kind, data)
    assert "\n" not in str(caught.value)


def test_not_finite_is_kept_but_never_as_a_bare_word():
    assert pack(Quantity("sharpness", math.nan, math.inf, "")) == {"name": "sharpness", "value": "nan", "u95": "inf", "unit": ""}
