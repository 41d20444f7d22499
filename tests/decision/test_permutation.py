"""The labels of mock-ups permuted, beside the general library."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.permutation import permuted_labels


@pytest.mark.parametrize(("n", "m"), [(6, 6), (3, 3), (5, 2), (4, 7)])
def test_every_labelling_is_counted_as_scipy_counts_it(n, m):
    rng = np.random.default_rng(n + m)
    for _ in range(5):
        blank, found = rng.standard_normal(n), rng.standard_normal(m) + 0.5
        expected = stats.permutation_test(
            (found, blank), lambda x, y, axis: x.mean(axis) - y.mean(axis), vectorized=True,
            alternative="greater", n_resamples=np.inf,
        )  # fmt: skip
        made = permuted_labels(blank, found)
        assert made.p == pytest.approx(expected.pvalue)
        assert (made.labellings, made.exact) == (comb(n + m, m), True)


def test_six_and_six_wholly_apart_give_1_in_924_and_three_and_three_1_in_20():
    assert permuted_labels(range(6), range(10, 16)).p == pytest.approx(1 / 924)
    assert permuted_labels(range(3), range(10, 13)).p == pytest.approx(0.05)


def test_mockups_that_are_all_alike_give_no_evidence():
    assert permuted_labels([0.1] * 4, [0.1] * 4).p == 1.0


def test_many_mockups_are_drawn_by_lot_and_never_give_zero():
    made = permuted_labels(np.zeros(12), np.arange(12) + 5.0)
    assert (made.exact, made.labellings) == (False, 20_000)
    assert made.p == pytest.approx(1 / 20_000)
    rng = np.random.default_rng(1)
    blank, found = rng.standard_normal(10), rng.standard_normal(10) + 0.4
    exact = stats.permutation_test(
        (found, blank), lambda x, y, axis: x.mean(axis) - y.mean(axis), vectorized=True,
        alternative="greater", n_resamples=200_000, rng=2,
    )  # fmt: skip
    assert permuted_labels(blank, found).p == pytest.approx(exact.pvalue, abs=0.01)


def test_skewed_scatter_does_not_raise_the_rate_of_false_alarms():
    """2,000 studies of 6 and 6 from an exponential distribution; 1 % more is three errors."""
    rng = np.random.default_rng(2)
    p = [permuted_labels(rng.exponential(size=6), rng.exponential(size=6)).p for _ in range(2000)]
    assert np.mean(np.array(p) <= 0.05) < 0.065
