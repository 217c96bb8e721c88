"""Long transforms against scipy's own (pocketfft), whatever the length."""

import numpy as np
import pytest
import scipy.fft as sfft

from vibekit.long_transform import LONG, long_ifft, long_irfft, long_rfft

LENGTHS = [LONG, 3**12, 5**8, 200 * 1009, 7 * 11 * 13 * 17 * 19, 131_071, 2 * 65_537, 12_345]  # even, odd, a large factor, prime, short


@pytest.mark.parametrize("n", LENGTHS)
def test_long_transforms_are_those_of_scipy(n):
    x = np.random.default_rng(n).standard_normal(n)
    assert np.allclose(long_rfft(x), sfft.rfft(x), rtol=0, atol=1e-12 * n)
    assert np.allclose(long_irfft(sfft.rfft(x), n), x, rtol=0, atol=1e-12)
    bins = sfft.fft(x) * np.exp(1j * np.arange(n))
    assert np.allclose(long_ifft(bins), sfft.ifft(bins), rtol=0, atol=1e-14 * n**0.5)


def test_single_precision_stays_and_is_as_good_as_scipys():
    x = np.random.default_rng(0).standard_normal(600_000).astype(np.float32)
    exact, own, other = sfft.rfft(x.astype(np.float64)), long_rfft(x), sfft.rfft(x)
    assert own.dtype == np.complex64
    assert np.std(own - exact) < 1.5 * np.std(other - exact)
