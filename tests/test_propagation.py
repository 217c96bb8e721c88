"""Uncertainty against the GUM. "From memory": recalled, not seen in print."""

import numpy as np
import pytest

from vibekit.propagation import propagate


def test_ratio_of_correlated_measurements():
    """JCGM 100:2008 (GUM), annex H.2, Tables H.2 to H.4, from memory: resistance, reactance, impedance.

    u(X) recomputes to 0.2956 where the GUM prints 0.295: allowed 0.001.
    """
    voltage = [5.007, 4.994, 5.005, 4.990, 4.999]  # V
    current = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]  # A
    phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]  # rad
    repeats = np.array([voltage, current, phase])
    means, covariance = repeats.mean(axis=1), np.cov(repeats) / 5
    inputs = np.corrcoef(repeats)
    assert (inputs[0, 1], inputs[0, 2], inputs[1, 2]) == pytest.approx((-0.36, 0.86, -0.65), abs=0.006)

    def impedance(x):
        ratio = x[0] / x[1]
        return np.array([ratio * np.cos(x[2]), ratio * np.sin(x[2]), ratio])

    values, spread = propagate(impedance, means, covariance)
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=5.1e-4)
    assert np.sqrt(np.diag(spread)) == pytest.approx([0.071, 0.295, 0.236], abs=1e-3)
    outputs = spread / np.sqrt(np.outer(np.diag(spread), np.diag(spread)))
    assert (outputs[0, 1], outputs[0, 2], outputs[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=6e-4)
