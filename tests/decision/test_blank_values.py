"""Each blank scored by weights made without it: the identities, and what it is for."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.blank_values import blank_values, mean_weights
from residuekit.decision.net import make_metric
from residuekit.kernels.metric import crossed_metrics, pool, pool_means
from residuekit.kernels.netsignal import blank_metric, scatter
from residuekit.words.codes import Note

AXIS = np.linspace(900.0, 1300.0, 40)
GEL = np.exp(-(((AXIS - 1092) / 30) ** 2))


def test_the_values_have_the_agreed_mean_and_variance():
    """mean w_i'y_i; mean over i of (n - 1)/n [w_i'(y_i - mean of the others)]^2."""
    rng = np.random.default_rng(1)
    blanks, weights = rng.standard_normal((2, 6, 9))
    found = blank_values(blanks, weights)
    own = [weights[i] @ (blanks[i] - np.delete(blanks, i, axis=0).mean(axis=0)) for i in range(6)]
    assert found.mean() == pytest.approx(
        np.mean([w @ y for w, y in zip(weights, blanks, strict=True)])
    )
    assert found.var(ddof=1) == pytest.approx(np.mean(np.square(own)) * 5 / 6)


def test_weights_of_one_kind_give_the_plain_scores():
    rng = np.random.default_rng(2)
    blanks, weights = rng.standard_normal((5, 9)), np.tile(rng.standard_normal(9), (5, 1))
    np.testing.assert_allclose(blank_values(blanks, weights), blanks @ weights[0])
    np.testing.assert_array_equal(mean_weights(weights), weights[0])
    np.testing.assert_allclose(mean_weights(blanks), blanks.mean(axis=0))


def pixels(rng, count=3):
    """Few spectra a mock-up, of skewed scatter: what moves their mean shows in their scatter."""
    centres, amounts = rng.uniform(880, 1320, (count, 4)), rng.exponential(0.05, (count, 4))
    bumps = amounts[:, :, None] * np.exp(-(((AXIS - centres[:, :, None]) / 45) ** 2))
    return 0.5 + bumps.sum(axis=1) + 1e-3 * rng.standard_normal((count, AXIS.size))


def metric_of(maps):
    means = np.array([one.mean(axis=0) for one in maps])
    made = make_metric(
        [scatter(one, place) for place, one in enumerate(maps)], means, [GEL], AXIS, (),
        Note("no-reference"),
    )  # fmt: skip
    return made, means


def standardised(rng):
    """D / (s_b h) of one clean study of six and six mock-ups, by crossed weights and by one."""
    made, means = metric_of([pixels(rng) for _ in range(6)])
    exposed = np.array([pixels(rng).mean(axis=0) for _ in range(6)])
    for weights in (made.weights[made.rows_of(6)], np.tile(made.net.weights, (6, 1))):
        values = blank_values(means, weights)
        difference = (exposed @ mean_weights(weights)).mean() - values.mean()
        yield difference / (values.std(ddof=1) * np.sqrt(1 / 3))


def test_weights_that_know_the_blanks_understate_their_scatter_and_crossed_ones_do_not():
    """300 clean studies of 3 skewed spectra a mock-up: one in ten should lie in the two tails."""
    rng = np.random.default_rng(3)
    found = np.array([list(standardised(rng)) for _ in range(300)])
    crossed, knowing = (np.abs(found) > stats.t.ppf(0.95, 5)).mean(axis=0)
    assert crossed < 0.135
    assert knowing > crossed + 0.03


@pytest.mark.parametrize("n", [3, 5, 8])
def test_a_metric_made_without_a_mockup_does_not_know_its_mean_and_hardly_its_scatter(n):
    """Near that of the others alone, of which the eigenvalues are made in another order."""
    rng = np.random.default_rng(4)
    maps = [pixels(rng, 60) for _ in range(n)]
    whole, parts = crossed_metrics(pool(scatter(one, place) for place, one in enumerate(maps)))
    assert len(parts) == n
    np.testing.assert_array_equal(whole.whitener, blank_metric(pool(map(scatter, maps))).whitener)
    for place, part in enumerate(parts):
        others = [scatter(one) for number, one in enumerate(maps) if number != place]
        np.testing.assert_allclose(part.mean, pool(others).mean)
        alone = blank_metric(pool(others))
        sizes = np.linalg.norm(GEL @ part.whitener.T), np.linalg.norm(GEL @ alone.whitener.T)
        assert sizes[0] == pytest.approx(sizes[1], rel=0.6 / n)


def test_maps_of_one_mockup_are_left_out_together_and_two_mockups_are_not_crossed():
    rng = np.random.default_rng(5)
    made, _ = metric_of([pixels(rng, 9) for _ in range(3)])
    assert made.weights.shape == (4, AXIS.size)
    two, _ = metric_of([pixels(rng, 9) for _ in range(2)])
    np.testing.assert_allclose(two.weights, np.tile(two.net.weights, (2, 1)))
    assert [*two.rows_of(2)] == [-1, -1]
    pooled = pool(scatter(pixels(rng, 9), place // 2) for place in range(6))
    assert len(pooled.dof) == 3
    assert dict(pooled.folds) == {0: 0, 1: 1, 2: 2}
    many = pool(scatter(pixels(rng, 9), place) for place in range(11))
    assert [many.folds[place] for place in (0, 7, 8, 10)] == [0, 7, 0, 2]


def test_a_blank_that_shows_no_scatter_is_scored_by_the_mean_weights():
    rng = np.random.default_rng(6)
    maps = [pixels(rng, 9) for _ in range(4)]
    means = np.array([*[one.mean(axis=0) for one in maps], pixels(rng, 1)[0]])
    made = make_metric(
        [scatter(one, place) for place, one in enumerate(maps)], means, [GEL], AXIS, (),
        Note("no-reference"),
    )  # fmt: skip
    assert [*made.rows_of(5)] == [0, 1, 2, 3, -1]
    np.testing.assert_allclose(made.weights[-1], made.weights[:-1].mean(axis=0))


def test_single_spectra_are_left_out_as_the_others_see_them():
    """Of all less one: the scatter about the mean of the others, by numpy's covariance."""
    rng = np.random.default_rng(7)
    spectra = pixels(rng, 9)
    pooled = pool_means(spectra)
    total, dof = pooled.total
    np.testing.assert_allclose(total, 8 * np.cov(spectra.T), atol=1e-12)
    assert dof == pytest.approx(8)
    others = np.delete(spectra, 4, axis=0)
    np.testing.assert_allclose(total - pooled.products[4], 7 * np.cov(others.T), atol=1e-12)
    away = spectra[4] - others.mean(axis=0)
    np.testing.assert_allclose(pooled.products[4], 8 / 9 * np.outer(away, away), atol=1e-12)


def test_no_more_matrices_are_held_than_groups_need():
    """Eight groups: their products, then the vectors of each, which become its whitener."""
    rng, n = np.random.default_rng(9), 150
    pooled = pool(scatter(rng.standard_normal((200, n)), place) for place in range(8))
    crossed_metrics(pooled)
    tracemalloc.start()
    crossed_metrics(pooled)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert most < 20 * 8 * n * n


def test_the_order_of_channels_changes_nothing_where_spectra_are_fewer_than_channels():
    """Directions in which the others do not vary have no order of their own."""
    rng = np.random.default_rng(8)
    maps = [pixels(rng, 5) for _ in range(4)]
    order = rng.permutation(AXIS.size)
    plain, turned = (
        blank_metric(pool(scatter(one[:, picks]) for one in maps))
        for picks in (np.arange(AXIS.size), order)
    )
    whole, other = (one.whitener.T @ one.whitener for one in (plain, turned))
    np.testing.assert_allclose(
        other, whole[np.ix_(order, order)], rtol=1e-6, atol=1e-6 * whole.max()
    )
