"""The median against numpy's."""

import numpy as np
import pytest

from vibekit.median import MANY, median


@pytest.mark.parametrize("n", [1, 2, 7, MANY, MANY + 1, 3 * MANY, 3 * MANY + 1])
@pytest.mark.parametrize("kind", ["noise", "ascending", "few values", "one value", "periodic", "sample misleads"])
def test_it_is_that_of_numpy(n, kind):
    rng, at = np.random.default_rng(n), np.arange(n)
    values = {
        "noise": rng.exponential(size=n),
        "ascending": at / 7.0,
        "few values": rng.integers(0, 3, n).astype(float),
        "one value": np.full(n, 2.5),
        "periodic": np.sin(at * 2 * np.pi / 16),
        "sample misleads": np.where(at % max(n // 4096, 1) == 0, 1e3, rng.normal(size=n)),
    }[kind]
    assert median(values) == np.median(values)
    assert median(values.astype(np.float32)).dtype == np.float32


def test_along_either_axis():
    rows = np.random.default_rng(0).normal(size=(5, 1000))
    assert np.array_equal(median(rows), np.median(rows, axis=1))
    assert np.array_equal(median(rows, axis=0), np.median(rows, axis=0))
