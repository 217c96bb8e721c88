"""The prior of a variance, against draws from the model it is made for and the F distribution of scipy.stats."""

import numpy as np
import pytest
from scipy import stats

from vibekit.variances import MOST, prior_variance


@pytest.mark.parametrize(("worth", "degrees"), [(4.0, 3), (10.0, 3), (4.0, 8)])
def test_what_made_the_variances_is_found_again(worth, degrees):
    # Smyth (2004), eq. 3: s^2 of d degrees of freedom, its population's variance scaled inverse chi-square, is s0^2 times F(d, d0)
    variances = 0.04 * stats.f.rvs(degrees, worth, size=4000, random_state=1)
    variance, found = prior_variance(variances, degrees)
    assert found == pytest.approx(worth, rel=0.25)
    assert variance == pytest.approx(0.04, rel=0.1)


def test_variances_that_are_alike_are_taken_together():
    variances = 0.04 * stats.chi2.rvs(3, size=400, random_state=2) / 3
    variance, worth = prior_variance(variances, 3)
    assert worth > 20
    assert variance == pytest.approx(0.04, rel=0.1)
    assert prior_variance(np.array([1.0, 1.0, 1.0]), 3) == (1.0, MOST)
