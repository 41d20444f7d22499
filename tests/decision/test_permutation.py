"""The labels of mock-ups permuted, beside the general library."""

from __future__ import annotations

from itertools import combinations, product
from math import comb

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.panel_layout import Panels
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


@pytest.mark.parametrize("counts", [((2, 2, 2), (2, 2, 2)), ((3, 2, 4), (1, 2, 3))])
def test_within_panels_labels_are_exchanged_as_a_count_by_hand_exchanges_them(counts):
    """All labellings in which each panel keeps its count of exposed mock-ups, written out."""
    lie, rng = Panels(*counts), np.random.default_rng(3)
    on_blanks, on_exposed = lie.places()
    blank, found = rng.standard_normal(lie.n), rng.standard_normal(lie.m) + 1.0
    values, on = np.concatenate([blank, found]), np.concatenate([on_blanks, on_exposed])

    def difference(exposed):
        chosen = np.isin(np.arange(values.size), exposed)
        own = [values[chosen & (on == one)] for one in range(len(counts[0]))]
        water = [values[~chosen & (on == one)].mean() for one in range(len(counts[0]))]
        return sum((a - w).sum() for a, w in zip(own, water, strict=True)) / lie.m

    every = [
        difference(np.concatenate(picked))
        for picked in product(*(
            [*combinations(np.flatnonzero(on == one), c)] for one, c in enumerate(counts[1])
        ))
    ]  # fmt: skip
    as_large = np.mean(np.array(every) >= difference(np.arange(lie.n, lie.n + lie.m)) - 1e-9)
    made = permuted_labels(blank, found, lie.places())
    assert (made.labellings, made.exact) == (len(every), True)
    assert made.p == pytest.approx(as_large)


def test_what_panels_differ_by_counts_for_nothing_within_them():
    lie, rng = Panels((2, 3, 2), (3, 2, 2)), np.random.default_rng(4)
    on_blanks, on_exposed = lie.places()
    blank, found = rng.standard_normal(lie.n), rng.standard_normal(lie.m) + 0.5
    made = permuted_labels(blank, found, lie.places())
    apart = np.array([-50.0, 0.0, 20.0])
    shifted = permuted_labels(blank + apart[on_blanks], found + apart[on_exposed], lie.places())
    assert made == shifted
    assert permuted_labels(blank + apart[on_blanks], found + apart[on_exposed]).p != made.p


def test_two_mockups_a_panel_are_pairs_as_scipy_exchanges_them():
    rng = np.random.default_rng(5)
    blank = rng.standard_normal(8)
    found = blank + rng.standard_normal(8) + 0.5
    expected = stats.permutation_test(
        (found, blank), lambda x, y, axis: (x - y).mean(axis), vectorized=True,
        permutation_type="samples", alternative="greater", n_resamples=np.inf,
    )  # fmt: skip
    made = permuted_labels(blank, found, (range(8), range(8)))
    assert (made.p, made.labellings) == (pytest.approx(expected.pvalue), 2**8)


def test_the_rate_within_panels_is_kept_where_labels_of_all_would_lose_it():
    """Exposed mock-ups lie oftener on one panel, blanks on the other, and panels differ three times
    as much as mock-ups do: of 600 clean studies, 5 % and two errors are below 7 %."""
    lie, rng = Panels((6, 2), (2, 6)), np.random.default_rng(6)
    on_blanks, on_exposed = lie.places()
    within, ignored = [], []
    for _ in range(600):
        panel = 3 * rng.standard_normal(2)
        blank = rng.exponential(size=lie.n) + panel[on_blanks]
        found = rng.exponential(size=lie.m) + panel[on_exposed]
        within.append(permuted_labels(blank, found, lie.places()).p)
        ignored.append(permuted_labels(blank, found).p)
    assert 0.03 < np.mean(np.array(within) <= 0.05) < 0.07
    assert np.mean(np.array(ignored) <= 0.05) > 0.1


def test_many_panels_are_drawn_by_lot():
    lie = Panels((2,) * 9, (2,) * 9)
    on_blanks, on_exposed = lie.places()
    made = permuted_labels(1.0 * on_blanks, on_exposed + 0.5, (on_blanks, on_exposed))
    assert (made.exact, made.labellings) == (False, 20_000)
    assert made.p < 3 / 20_000
