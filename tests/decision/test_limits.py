"""The pair of tests of an arm: check values, quadrature, error rates by simulation."""

from __future__ import annotations

import math
import tracemalloc
from functools import cache

import numpy as np
import pytest
from numpy.polynomial.hermite_e import hermegauss
from scipy import integrate, stats

from residuekit.decision.limits import arm_limits, decision_levels
from residuekit.kernels.limit_statistics import noncentrality

RUNS = 200_000


@pytest.mark.parametrize(
    ("n", "m", "level", "arm", "mockup"),
    [(3, 3, 0.037, 3.48, 5.42), (6, 6, 0.032, 2.37, 3.74), (12, 6, 0.030, 2.09, 3.05)],
)
def test_levels_and_quantiles_agree_with_the_design_s_simulated_values(n, m, level, arm, mockup):
    found = decision_levels(n, m, 0.05)
    assert found.level == pytest.approx(level, abs=0.0006)
    assert found.arm == pytest.approx(arm, abs=0.011)
    assert found.mockup == pytest.approx(mockup, rel=0.005)


def test_noncentralities_of_six_against_six_agree_with_the_design():
    levels = decision_levels(6, 6, 0.05)
    assert noncentrality(5, levels.arm) == pytest.approx(4.31, abs=0.01)
    assert noncentrality(5, levels.mockup) == pytest.approx(6.13, abs=0.015)


@cache
def _simulate(n, m, effect=0.0, seed=1):
    rng = np.random.default_rng(seed)
    blank = rng.standard_normal((RUNS, n))
    exposed = rng.standard_normal((RUNS, m)) + effect
    scatter = blank.std(axis=1, ddof=1)
    arm = (exposed.mean(axis=1) - blank.mean(axis=1)) / (scatter * math.sqrt(1 / m + 1 / n))
    one = (exposed.max(axis=1) - blank.mean(axis=1)) / (scatter * math.sqrt(1 + 1 / n))
    return arm, one


@pytest.mark.parametrize(
    ("n", "m", "alpha"),
    [(2, 3, 0.05), (3, 1, 0.05), (3, 3, 0.05), (6, 6, 0.05), (12, 6, 0.05), (6, 3, 0.2)],
)  # fmt: skip
def test_the_pair_of_tests_holds_its_rate_of_false_alarms(n, m, alpha):
    """And each of the two, by itself, the common level."""
    levels = decision_levels(n, m, alpha)
    arm, one = _simulate(n, m, seed=n * 100 + m)
    for rate, meant in (
        (np.mean((arm > levels.arm) | (one > levels.mockup)), alpha),
        (np.mean(arm > levels.arm), levels.level),
        (np.mean(one > levels.mockup), levels.level),
    ):
        assert rate == pytest.approx(meant, abs=4 * math.sqrt(meant * (1 - meant) / RUNS))


@pytest.mark.parametrize(("n", "m"), [(2, 3), (3, 3), (6, 6)])
def test_both_quantiles_by_quadrature(n, m):
    """q1 is Student's; q2 solves 1 - E[Phi(q2 h1 S + Z / sqrt(n))^m] = level over S and Z."""
    levels = decision_levels(n, m, 0.05)
    assert levels.arm == pytest.approx(stats.t.isf(levels.level, n - 1), rel=1e-9)
    nodes, weights = hermegauss(60)
    weights = weights / weights.sum()

    def integrand(s):
        """S times sqrt(n - 1) has the chi distribution."""
        inside = stats.norm.cdf(levels.mockup * math.sqrt(1 + 1 / n) * s + nodes / math.sqrt(n))
        density = stats.chi.pdf(s * math.sqrt(n - 1), n - 1) * math.sqrt(n - 1)
        return density * (1 - weights @ inside**m)

    rate = integrate.quad(integrand, 0, 12)[0]
    assert rate == pytest.approx(levels.level, abs=2e-4)


def test_both_rates_of_the_limits_are_5_per_cent_unless_named():
    assert arm_limits(2.0, 6, 6) == arm_limits(2.0, 6, 6, 0.05, 0.05)
    assert arm_limits(2.0, 6, 1) == arm_limits(2.0, 6, 1, beta=0.05)
    assert arm_limits(2.0, 6, 6).detection < arm_limits(2.0, 6, 6, beta=0.02).detection
    assert all(math.isnan(limit) for limit in arm_limits(2.0, 1, 6))


@pytest.mark.parametrize("n", [3, 6])
def test_an_effect_at_the_detection_limit_is_missed_at_the_rate_beta_by_the_arm_s_test(n):
    m, levels = n, decision_levels(n, n, 0.05)
    effect = noncentrality(n - 1, levels.arm) * math.sqrt(1 / m + 1 / n)
    arm, _ = _simulate(n, m, effect, seed=n)
    assert np.mean(arm <= levels.arm) == pytest.approx(0.05, abs=0.002)


@pytest.mark.parametrize(("n", "alpha"), [(2, 0.05), (6, 0.05), (6, 0.01)])
def test_a_single_exposed_mockup_is_the_plain_t_test(n, alpha):
    assert decision_levels(n, 1) == decision_levels(n, 1, 0.05)
    levels = decision_levels(n, 1, alpha)
    assert levels.level == alpha
    assert levels.arm == levels.mockup == pytest.approx(stats.t.ppf(1 - alpha, n - 1))


@pytest.mark.parametrize(("n", "m"), [(1, 3), (3, 0)])
def test_too_few_mockups_are_refused(n, m):
    with pytest.raises(ValueError, match="needed n >= 2"):
        decision_levels(n, m)


def test_a_study_run_again_gives_the_same_limits():
    """Seed and number of arms are part of the method: values of version 0.1.0.

    They move by less than the standard error of 300,000 arms when the seed is changed.
    """
    assert decision_levels(3, 3, 0.05) == pytest.approx(
        (0.03673313165324205, 3.4829236186278423, 5.439351313941226), rel=1e-8
    )


def test_many_mockups_take_no_more_memory_than_few():
    """The arms that are drawn are not held mock-up beside mock-up."""
    most = {}
    for m in (3, 40):
        tracemalloc.start()
        decision_levels.__wrapped__(9, m)
        most[m] = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert most[40] < 1.2 * most[3]
