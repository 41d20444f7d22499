"""Weights and shape test by hand: in white noise of variance 1, and against dense algebra."""

from __future__ import annotations

import math

import numpy as np
import pytest

from residuekit.errors import ContractError
from residuekit.kernels.metric import NUISANCE_VARIANCE, common_nuisances
from residuekit.kernels.netsignal import nas, shape_test

N = 10
AXIS = 1000.0 + 4.0 * np.arange(N)
GEL = np.array([0.0, 1, 3, 1, 0, 0.0, 0, 0, 0, 0])
#: The gel and its derivative use channels 0 to 5; of these four the fit explains nothing.
OUTSIDE = np.eye(N)[6:]
ALONG = GEL / np.linalg.norm(GEL)


def shape_of(plain_net, difference, *, blanks=(1.0, -1.0), m=2):
    """Blank means that differ along one channel by these amounts, from any common spectrum."""
    means = 0.7 + np.outer(blanks, OUTSIDE[0])
    return shape_test(difference, means, plain_net(GEL), AXIS, n_exposed=m)


@pytest.mark.parametrize("blanks", [(1.0, -1.0), (0.3, -0.1, 0.5), (2.0, 0.0, 1.0, 1.0, -3.0)])
@pytest.mark.parametrize("m", [1, 2, 6])
def test_what_blanks_leave_is_their_variance_times_1_m_plus_1_n(plain_net, blanks, m):
    """Q0 = mean Q (n-1)/n (1/m + 1/n), Q against the mean of the others: s^2 (1/m + 1/n)."""
    found = shape_of(plain_net, GEL, blanks=blanks, m=m)
    expected = np.var(blanks, ddof=1) * (1 / m + 1 / len(blanks))
    assert found.expected_residual == pytest.approx(expected)


def test_a_difference_is_split_in_what_the_gel_explains_and_what_it_leaves(plain_net):
    """Gel, its shift by the derivative, and four channels of something else."""
    shift = np.gradient(GEL, AXIS)
    left = np.array([0.5, -1.0, 2.0, 0.0]) @ OUTSIDE
    found = shape_of(plain_net, 0.3 * GEL + 2.0 * shift + left)
    assert found.explained == pytest.approx(np.sum((0.3 * GEL + 2.0 * shift) ** 2))
    assert found.residual == pytest.approx(5.25)
    explained = found.explained
    assert found.share == pytest.approx(explained / (explained + 5.25 - 2.0))


def test_less_left_than_blanks_leave_is_a_share_of_one(plain_net):
    assert shape_of(plain_net, GEL + OUTSIDE[1]).share == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("left", "share", "refused"),
    [(6.01, 0.79, True), (5.99, 0.79, False), (6.01, 0.81, False), (60.0, 0.79, True),
     (60.0, 0.81, False), (6.01, 0.1, True), (5.99, 0.1, False)],
)  # fmt: skip
def test_refused_is_more_than_3_times_what_blanks_leave_with_less_than_80_per_cent_explained(
    plain_net, left, share, refused
):
    """Q0 is 2 here; E is chosen so that E / (E + Q - Q0) is the share."""
    explained = share / (1 - share) * (left - 2.0)
    found = shape_of(plain_net, math.sqrt(explained) * ALONG + math.sqrt(left) * OUTSIDE[1])
    assert found.expected_residual == pytest.approx(2.0)
    assert found.share == pytest.approx(share)
    assert found.refused is refused


def test_exactly_3_times_is_not_refused(plain_net):
    """Q = 4 + 1 + 1 of a Q0 of 2, and nothing explained."""
    found = shape_of(plain_net, np.array([0.0, 2.0, 1.0, 1.0]) @ OUTSIDE)
    assert (found.residual, found.expected_residual, found.refused) == (6.0, 2.0, False)


def test_nothing_at_all_is_neither_gel_nor_refused(plain_net):
    found = shape_of(plain_net, np.zeros(N), blanks=(0.0, 0.0))
    assert (found.share, found.residual, found.expected_residual) == (0.0, 0.0, 0.0)
    assert not found.refused
    strange = shape_of(plain_net, OUTSIDE[2], blanks=(0.0, 0.0))
    assert strange.refused


@pytest.mark.parametrize(("blanks", "m"), [((1.0,), 2), ((1.0, -1.0), 0)])
def test_two_blanks_and_one_exposed_mockup_are_the_least(plain_net, blanks, m):
    with pytest.raises(ContractError):
        shape_of(plain_net, GEL, blanks=blanks, m=m)
    assert not shape_of(plain_net, GEL, m=1).refused


def test_several_references_are_fitted_freely_and_twice_the_same_is_one(plain_net):
    means = np.outer([1.0, -1.0], OUTSIDE[0])
    other = OUTSIDE[1] + GEL
    both = shape_test(other, means, plain_net([GEL, other]), AXIS, n_exposed=2)
    assert both.residual == pytest.approx(0.0, abs=1e-12)
    same = shape_test(other, means, plain_net([GEL, GEL]), AXIS, n_exposed=2)
    once = shape_test(other, means, plain_net(GEL), AXIS, n_exposed=2)
    assert same.residual == pytest.approx(once.residual)


RNG = np.random.default_rng(8)
ROOT = np.linalg.cholesky(np.cov(RNG.standard_normal((N, 40))) + 0.1 * np.eye(N))
NOISE = ROOT @ ROOT.T
CHANGE = (lambda rows: rows.T @ rows)(RNG.standard_normal((3, N)))
SHAPES = np.vstack([common_nuisances(AXIS, np.cos(AXIS / 9)), np.zeros(N)])


def dense(change, shapes):
    """S = noise + change + 1e6 (shape' S0^-1 shape)^-1 along each shape, written out."""
    before = NOISE + change
    covariance = before.copy()
    for shape in shapes:
        size = shape @ np.linalg.solve(before, shape)
        if size > 0:
            covariance += NUISANCE_VARIANCE * np.outer(shape, shape) / size
    return before, covariance


@pytest.mark.parametrize("changed", [False, True])
@pytest.mark.parametrize("declared", [False, True])
def test_the_weights_are_generalised_least_squares(plain_net, changed, declared):
    """w = S^-1 g / (g' S^-1 g); its variance is w'Sw less what the declared change adds."""
    change = CHANGE if changed else np.zeros((N, N))
    shapes = SHAPES if declared else np.zeros((1, N))
    net = plain_net(
        GEL, change=change if changed else None, nuisances=shapes if declared else None,
        whitener=np.linalg.inv(ROOT),
    )  # fmt: skip
    before, covariance = dense(change, shapes)
    solved = np.linalg.solve(covariance, GEL)
    weights = solved / (GEL @ solved)
    np.testing.assert_allclose(net.weights, weights, rtol=1e-6, atol=1e-9)
    variance = weights @ (covariance - change) @ weights
    assert net.standard_error == pytest.approx(math.sqrt(variance), rel=1e-6)
    free = GEL @ np.linalg.solve(before, GEL)
    assert net.selectivity == pytest.approx(math.sqrt(GEL @ solved / free), rel=1e-6)


def test_what_varies_without_limit_is_declared_a_million_times():
    assert NUISANCE_VARIANCE == 1e6


def test_common_nuisances_are_a_shift_an_offset_and_a_slope():
    mean = np.exp(-(((AXIS - 1018) / 9) ** 2))
    shift, offset, slope = common_nuisances(AXIS, mean)
    moved = np.exp(-(((AXIS - 1018 - 0.01) / 9) ** 2))
    inner = slice(1, -1)
    chord = (np.exp(-(((AXIS + 4 - 1018) / 9) ** 2)) - np.exp(-(((AXIS - 4 - 1018) / 9) ** 2))) / 8
    np.testing.assert_allclose(shift[inner], chord[inner], atol=1e-12)
    assert np.corrcoef(mean - moved, shift)[0, 1] > 0.95
    assert offset.tolist() == [1.0] * N
    np.testing.assert_allclose(slope, np.linspace(-18.0, 18.0, N))


def test_several_references_take_the_mixture_that_is_hardest_to_see(plain_net):
    """By brute force over all shares; its score is 1, those of the references 1 or more."""
    both = np.array([GEL, 0.6 * np.roll(GEL, 2) + 0.1 * OUTSIDE[1]])
    net = plain_net(both, whitener=np.linalg.inv(ROOT))
    shares = np.linspace(0, 1, 2001)
    mixtures = np.outer(shares, both[0]) + np.outer(1 - shares, both[1])
    sizes = np.einsum("ij,ij->i", mixtures, np.linalg.solve(NOISE, mixtures.T).T)
    best = sizes.argmin()
    assert 0 < shares[best] < 1
    assert net.mixture == pytest.approx([shares[best], 1 - shares[best]], abs=1e-3)
    assert net.standard_error == pytest.approx(1 / math.sqrt(sizes[best]), rel=1e-5)
    np.testing.assert_allclose(both @ net.weights, 1.0, rtol=1e-9)
    lone = plain_net([GEL, 3 * GEL])
    assert lone.mixture.tolist() == [1.0, 0.0]
    assert lone.weights @ GEL == pytest.approx(1.0)


def test_references_that_are_nothing_or_cancel_are_refused(plain_net):
    for references in (np.zeros(N), [GEL, np.zeros(N)], [GEL, -GEL]):
        with pytest.raises(ContractError):
            plain_net(references)


def test_lorber_s_net_signal_of_two_directions():
    """60 degrees from the interferent: sin 60 of the norm is left, at right angles to it."""
    signal, other = np.array([1.0, math.sqrt(3), 0.0]), np.array([5.0, 0.0, 0.0])
    found = nas(signal, [other, 2 * other])
    assert found.norm == pytest.approx(math.sqrt(3))
    assert found.selectivity == pytest.approx(math.sin(math.pi / 3))
    np.testing.assert_allclose(found.signal, [0, math.sqrt(3), 0], atol=1e-12)
    for bad in (np.zeros(3), np.full(3, np.nan)):
        with pytest.raises(ContractError):
            nas(bad, [other])
