"""The noncentral t and the bound of a share, against scipy.stats and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, stats

from residuekit.kernels.limit_statistics import (
    clopper_pearson_upper,
    noncentral_t_cdf,
    noncentrality,
)


@pytest.mark.parametrize(("n", "upper"), [(1, 0.95), (3, 0.631597), (6, 0.393038), (20, 0.139108)])
def test_none_of_n_is_the_closed_form(n, upper):
    assert clopper_pearson_upper(0, n, 0.05) == pytest.approx(1 - 0.05 ** (1 / n))
    assert clopper_pearson_upper(0, n, 0.05) == pytest.approx(upper, abs=1e-6)


@pytest.mark.parametrize("k", [1, 2, 5])
def test_some_of_n_leave_alpha_below(k):
    upper = clopper_pearson_upper(k, 6, 0.1)
    assert stats.binom.cdf(k, 6, upper) == pytest.approx(0.1)
    assert clopper_pearson_upper(6, 6, 0.1) == 1.0


@pytest.mark.parametrize(
    ("nu", "quantile", "beta"),
    [(1, 6.31, 0.05), (2, 3.48, 0.05), (5, 2.37, 0.05), (5, 3.16, 0.2), (5, 3.17, 0.2),
     (5, 3.74, 0.05), (5, 30.0, 0.5), (5, 1.0, 0.99), (100, 1.66, 0.05)],
)  # fmt: skip
def test_delta_solves_the_noncentral_t_of_scipy(nu, quantile, beta):
    """Both ways of integrating: the quantile squared below and above 2 nu."""
    assert stats.nct.cdf(quantile, nu, noncentrality(nu, quantile, beta)) == pytest.approx(
        beta, abs=2e-7
    )


@pytest.mark.parametrize(
    ("nu", "delta"), [(1, 12.53), (2, 5.52), (5, 3.87), (10, 3.54), (30, 3.36)]
)  # fmt: skip
@pytest.mark.source("from memory", "iso11843p2", "delta, near 2 t")
def test_delta_of_the_t_quantile_by_integration_over_s(nu, delta):
    """Of ISO 11843-2, from memory and without its corrigendum of 2007.

    P = int Phi(t s - delta) f(s) ds, with s of chi; near 2 t.
    """
    t = stats.t.ppf(0.95, nu)
    found = noncentrality(nu, t)
    missed = integrate.quad(
        lambda s: stats.norm.cdf(t * s - found) * stats.chi.pdf(s * math.sqrt(nu), nu)
        * math.sqrt(nu), 0, 8,
    )[0]  # fmt: skip
    assert missed == pytest.approx(0.05, abs=1e-6)
    assert found == pytest.approx(delta, abs=0.01)


def test_infinite_freedom_is_the_normal_deviate():
    assert noncentrality(math.inf, 1.6449) == pytest.approx(2 * 1.6449, abs=1e-4)
    assert noncentrality(1e7, 1.6449) == pytest.approx(2 * 1.6449, abs=1e-4)


@pytest.mark.parametrize("quantile", [0.5, 2.0, 3.1622, 3.1624, 12.0])
@pytest.mark.parametrize("delta", [-2.0, 0.0, 1.5, 6.0, 12.0])
def test_the_distribution_is_that_of_scipy_on_both_sides_of_the_change_of_variable(quantile, delta):
    found = noncentral_t_cdf(5, quantile)(delta)
    assert found == pytest.approx(stats.nct.cdf(quantile, 5, delta), abs=1e-8)


def test_the_distribution_by_simulation():
    rng = np.random.default_rng(4)
    drawn = (rng.standard_normal(400_000) + 4.31) / np.sqrt(rng.chisquare(5, 400_000) / 5)
    assert np.mean(drawn <= 2.37) == pytest.approx(noncentral_t_cdf(5, 2.37)(4.31), abs=0.0015)
