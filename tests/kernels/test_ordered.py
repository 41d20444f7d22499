"""Trend tests and the mixed model: invariants, second opinions, rates by simulation."""

from __future__ import annotations

import itertools
from math import factorial, prod

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from residuekit.kernels.ordered import (
    _unpacked,
    _ways,
    _ways_with_ties,
    cochran_armitage,
    jonckheere,
    mixed_model,
    page,
    permutation,
)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.1, 10), st.floats(-5, 5))
def test_jonckheere_depends_on_order_alone(seed, scale, shift):
    rng = np.random.default_rng(seed)
    groups = [rng.normal(k * 0.3, 1, 4) for k in range(3)]
    plain = jonckheere(groups)
    assert jonckheere([np.exp(g * scale / 10) + shift for g in groups]) == plain
    backwards = jonckheere(groups[::-1])
    assert backwards.z == pytest.approx(-plain.z)


def test_jonckheere_s_statistic_has_the_moments_of_all_labellings():
    values = np.array([1.0, 2, 2, 3, 5, 5, 5])
    found = []
    for first in itertools.combinations(range(7), 2):
        rest = [k for k in range(7) if k not in first]
        for second in itertools.combinations(rest, 2):
            third = [k for k in rest if k not in second]
            found.append(jonckheere([values[list(part)] for part in (first, second, third)]))
    statistic, z, p, exact = np.array(found).T
    assert z == pytest.approx((statistic - statistic.mean()) / statistic.std(), abs=1e-9)
    assert exact.all()
    assert p == pytest.approx((statistic >= statistic[:, None]).mean(axis=1), abs=1e-12)


@pytest.mark.parametrize("sizes", [(1, 1, 1, 2), (3, 2, 3), (2, 2, 2, 2)])
def test_without_ties_both_ways_of_counting_labellings_agree(sizes):
    assert _ways(sizes) == _ways_with_ties(sizes, [1] * sum(sizes))
    assert sum(_unpacked(_ways(sizes))) == factorial(sum(sizes)) / prod(map(factorial, sizes))


def test_two_groups_are_the_exact_test_of_mann_and_whitney_by_scipy():
    rng = np.random.default_rng(6)
    low, high = rng.normal(0, 1, 8), rng.normal(0.5, 1, 7)
    known = stats.mannwhitneyu(high, low, alternative="greater", method="exact")
    assert jonckheere([low, high])[::2] == pytest.approx((known.statistic, known.pvalue))


def test_the_trend_tests_hold_their_level():
    rng = np.random.default_rng(2)
    drawn = {n: rng.normal(0, 1, (4000, 3, n)) for n in (3, 8)}
    for n, studies in drawn.items():
        p = np.array([jonckheere(groups).p_value for groups in studies])
        assert np.mean(p < 0.05) == pytest.approx(0.05, abs=0.012), n
        assert jonckheere(studies[0]).exact == (n == 3)


@pytest.mark.parametrize(("n", "exact"), [(19, True), (20, False)])
def test_below_twenty_mockups_the_tests_are_exact(n, exact):
    rng = np.random.default_rng(n)
    groups = np.array_split(rng.normal(0, 1, n) + 0.05 * np.arange(n), 4)
    assert jonckheere(groups).exact == exact
    assert jonckheere([np.round(group, 1) for group in groups]).exact == exact
    assert cochran_armitage([0, 3, 4], [6, 6, n - 12], [0, 1, 2]).exact == exact


def test_the_exact_test_of_shares_counts_the_choices_of_positive_mockups():
    total, positive, score = [3, 4, 4], [0, 2, 3], [0.3, 1.1, 4.2]
    of_each = np.repeat(score, total)
    sums = np.array([sum(part) for part in itertools.combinations(of_each, sum(positive))])
    wanted = np.mean(sums >= np.dot(positive, score) - 1e-9)
    assert cochran_armitage(positive, total, score).p_value == pytest.approx(wanted)


def test_groups_without_mockups_are_refused():
    with pytest.raises(ValueError, match="none empty"):
        jonckheere([[1.0], []])


@pytest.mark.parametrize(
    "trend",
    [
        cochran_armitage([0, 0, 0], [4, 4, 4], [0, 1, 2]),
        cochran_armitage([4, 4, 4], [4, 4, 4], [0, 1, 2]),
        cochran_armitage([1, 2, 3], [4, 4, 4], [5.1, 5.1, 5.1]),
        jonckheere([[2.0, 2.0], [2.0], [2.0, 2.0]]),
        page(np.tile([[1.0], [3.0]], 3)),
    ],
)
def test_what_does_not_vary_has_no_p_value(trend):
    assert np.isnan(trend.p_value)
    assert np.isnan(trend.z)
    assert not trend.exact


def test_mixed_model_agrees_with_statsmodels_for_crossed_mockups_and_sessions():
    statsmodels = pytest.importorskip("statsmodels.api")
    rng = np.random.default_rng(4)
    mockup, session = np.repeat(np.arange(12), 6), np.tile(np.repeat(np.arange(3), 2), 12)
    x = np.repeat(rng.integers(0, 3, 12), 6).astype(float)
    y = 1 + 0.5 * x + rng.normal(0, 1, 12)[mockup] + rng.normal(0, 0.7, 3)[session]
    y += rng.normal(0, 0.4, y.size)
    design = np.column_stack([np.ones_like(x), x])
    found = mixed_model(y, design, [mockup, session])
    vc = {"m": np.eye(12)[mockup], "s": np.eye(3)[session]}
    model = statsmodels.MixedLM(
        y, design, groups=np.ones_like(y),
        exog_vc=statsmodels.regression.mixed_linear_model.VCSpec(
            ["m", "s"], [[[f"m{k}" for k in range(12)]], [[f"s{k}" for k in range(3)]]],
            [[vc["m"]], [vc["s"]]],
        ),
    )  # fmt: skip
    fit = model.fit(reml=True)
    assert found.effects == pytest.approx(np.asarray(fit.fe_params), rel=1e-4)
    assert found.variances[:2] == pytest.approx(np.asarray(fit.vcomp), rel=1e-2)
    assert np.sqrt(np.diag(found.covariance)) == pytest.approx(np.asarray(fit.bse_fe), rel=1e-2)


def test_satterthwaite_degrees_of_freedom_are_the_mockups_not_the_pixels():
    rng = np.random.default_rng(5)
    mockup = np.repeat(np.arange(8), 50)
    gel = (mockup >= 4).astype(float)
    y = rng.normal(0, 1, 8)[mockup] + rng.normal(0, 1, mockup.size)
    found = mixed_model(y, np.column_stack([np.ones_like(gel), gel]), [mockup])
    assert found.degrees_of_freedom[1] == pytest.approx(6, abs=0.5)


def test_three_against_three_has_twenty_labellings_and_cannot_fall_below_one_in_twenty():
    found = permutation([10.0, 11, 12], [1.0, 2, 3])
    assert found.labellings == 20
    assert found.p_value == found.least_p == pytest.approx(1 / 20)
    assert found.decides(0.05)
    assert not found.decides(0.01)
    assert not permutation([3.0, 4], [1.0, 2]).decides(0.05)


def test_the_permutation_p_value_counts_labellings():
    exposed, blank = [3.0, 5.0, 8.0], [1.0, 4.0, 2.0, 6.0]
    everything = np.array([*exposed, *blank])
    sums = [sum(part) for part in itertools.combinations(everything, 3)]
    assert permutation(exposed, blank).p_value == pytest.approx(
        np.mean(np.array(sums) >= sum(exposed))
    )


def test_page_rises_with_the_order_and_not_against_it():
    rng = np.random.default_rng(8)
    table = rng.normal(0, 0.1, (6, 4)) + np.arange(4)
    assert page(table).p_value < 1e-3
    assert page(table[:, ::-1]).p_value > 0.99
    assert page(table).z == pytest.approx(-page(table[:, ::-1]).z)
