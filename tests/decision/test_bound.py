"""The upper bound: its standard error and degrees of freedom by hand, its cover by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.bound import upper_bound
from residuekit.kernels.slope import Slope, slope_through_zero


def test_the_bound_without_a_slope_is_welch_s():
    rng = np.random.default_rng(5)
    blank, exposed = rng.normal(0, 1, 6), rng.normal(0.2, 2, 8)
    found = upper_bound(exposed.mean() - blank.mean(), blank.var(ddof=1), 6,
                        exposed.var(ddof=1), 8, None)  # fmt: skip
    welch = stats.ttest_ind(exposed, blank, equal_var=False)
    assert found.upper == pytest.approx(welch.confidence_interval(0.90).high, rel=1e-9)
    assert found.degrees_of_freedom == pytest.approx(welch.df)


@pytest.mark.parametrize(
    ("blank", "exposed", "error", "freedom"),
    [(0.04, 0.0, 0.0, 4), (0.0, 0.04, 0.0, 6), (0.0, 0.0, 0.1, 3)],
)
def test_one_source_of_error_alone_has_its_own_degrees_of_freedom(blank, exposed, error, freedom):
    """5 blanks: 4; 7 exposed: 6; a slope of 4 spiked mock-ups: 3. Then t and SE by the formula."""
    x, b = 1.5, 2.0
    found = upper_bound(x, blank, 5, exposed, 7, Slope(b, error, 4, 0.2), alpha=0.1)
    square = (blank * (1 - 0.2 * x) ** 2 / 5 + exposed / 7 + (x * error) ** 2) / b**2
    assert found.degrees_of_freedom == pytest.approx(freedom)
    assert found.standard_error == pytest.approx(math.sqrt(square))
    assert found.upper == pytest.approx(x + stats.t.ppf(0.9, freedom) * math.sqrt(square))


def test_all_sources_together_by_satterthwaite():
    """By hand: 0.16 (1 - 0.5)^2/4 = 0.01, 0.09/3 = 0.03, (2 x 0.1)^2 = 0.04; nu = 0.08^2 / ..."""
    found = upper_bound(2.0, 0.16, 4, 0.09, 3, Slope(0.5, 0.1, 6, 0.25))
    assert found.standard_error == pytest.approx(math.sqrt(0.08) / 0.5)
    nu = 0.08**2 / (0.01**2 / 3 + 0.03**2 / 2 + 0.04**2 / 5)
    assert found.degrees_of_freedom == pytest.approx(nu)
    assert found.upper == pytest.approx(2 + stats.t.ppf(0.95, nu) * found.standard_error)


def test_the_least_of_mockups_two_against_two():
    found = upper_bound(0.0, 1.0, 2, 1.0, 2, None)
    assert found == pytest.approx((stats.t.ppf(0.95, 2), 1.0, 2.0))


def test_a_bound_from_one_exposed_mockup_borrows_the_scatter_of_the_blanks():
    found = upper_bound(1.0, 0.04, 6, 0.0, 1, Slope(2.0, 0.0, 4))
    assert found.standard_error == pytest.approx(0.2 * math.sqrt(1 + 1 / 6) / 2)
    assert found.degrees_of_freedom == pytest.approx(5)
    pulled = upper_bound(1.0, 0.04, 6, 9.0, 1, Slope(2.0, 0.3, 4, 0.5))
    parts = (0.04 * (1 + 0.25 / 6), 0.09)
    assert pulled.standard_error == pytest.approx(math.sqrt(sum(parts)) / 2)
    freedom = sum(parts) ** 2 / (parts[0] ** 2 / 5 + parts[1] ** 2 / 3)
    assert pulled.degrees_of_freedom == pytest.approx(freedom)


def test_without_any_scatter_the_bound_is_the_estimate():
    assert upper_bound(1.25, 0.0, 6, 0.0, 6, None) == (1.25, 0.0, math.inf)


def test_a_falling_response_still_has_a_positive_error():
    falling, rising = (upper_bound(1.0, 0.04, 6, 0.04, 6, Slope(b, 0.1, 4)) for b in (-2.0, 2.0))
    assert falling == pytest.approx(rising)


@pytest.mark.parametrize("truth", [0.0, 1.0])
def test_the_bound_covers_the_truth_as_often_as_stated(truth):
    """At 1 the line takes part: conservative there, as its blanks are not the arm's."""
    rng = np.random.default_rng(11)
    runs, n, m, b = 1000, 6, 6, 0.4
    x = np.array([1.0, 1, 1, 3, 3, 3])
    covered = 0
    for _ in range(runs):
        blank, exposed = rng.normal(0, 0.1, n), rng.normal(b * truth, 0.1, m)
        slope = slope_through_zero(x, b * x + rng.normal(0, 0.1, 6), 0.1)
        estimate = (exposed.mean() - blank.mean()) / slope.value
        bound = upper_bound(estimate, blank.var(ddof=1), n, exposed.var(ddof=1), m, slope)
        covered += bound.upper >= truth
    assert covered / runs == pytest.approx(0.95, abs=0.02)


def test_spiked_mockups_on_the_arm_s_blanks_hold_the_bound_to_its_rate():
    """Without the pull of the slope the interval is too wide: 97 to 98 % instead of 95."""
    rng = np.random.default_rng(12)
    runs, n, m, truth, x = 1500, 3, 3, 6.0, np.repeat([6.0, 18.0], 3)
    inside = {True: 0, False: 0}
    for _ in range(runs):
        blank, exposed = rng.normal(0, 1, n), rng.normal(truth, 1, m)
        spiked = rng.normal(x, 1) - blank.mean()
        slope = slope_through_zero(x, spiked, blank.std(ddof=1), shared=1.0)
        found = (exposed.mean() - blank.mean()) / slope.value
        for shared in inside:
            used = slope if shared else slope._replace(pull=0.0)
            bound = upper_bound(found, blank.var(ddof=1), n, exposed.var(ddof=1), m, used, 0.025)
            inside[shared] += abs(found - truth) <= bound.upper - found
    assert 0.94 <= inside[True] / runs <= 0.97 < inside[False] / runs
