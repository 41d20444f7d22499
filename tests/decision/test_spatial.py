"""The quantile of the largest of n pixels, from which pixel limits come."""

from __future__ import annotations

import pytest
from scipy import stats

from residuekit.kernels.spatial import family_quantile


@pytest.mark.parametrize(("n", "alpha"), [(1, 0.05), (64, 0.05), (1024, 0.05), (1024, 0.01)])
def test_the_largest_of_n_normal_pixels_passes_it_with_probability_alpha(n, alpha):
    """The largest of n has the distribution function Phi^n."""
    assert stats.norm.cdf(family_quantile(n, alpha)) ** n == pytest.approx(1 - alpha)


def test_alpha_is_5_per_cent_where_none_is_named():
    assert family_quantile(1) == pytest.approx(1.644854, abs=1e-6)
