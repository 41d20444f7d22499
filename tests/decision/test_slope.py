"""The slope: by hand, by numpy's least squares, and at the edges of what gives one."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.kernels.slope import slope_through_zero

LOADINGS = st.lists(st.floats(0.1, 10.0), min_size=2, max_size=8)
FEW = settings(max_examples=25, deadline=None)


def test_a_line_of_two_points_by_hand():
    """b = (1 + 6) / 5, residuals -0.4 and 0.2: s1 = sqrt(0.2 / 1 / 5); pull = (1 + 2/2) / 5."""
    found = slope_through_zero([1.0, 2.0], [1.0, 3.0], 1.0, relative=0.0, shared=[1.0, 0.5])
    assert found[:6] == pytest.approx((1.4, 0.2, 2, 0.4, 2.0, 0.0))


def test_without_blank_scatter_the_slope_is_the_mean_of_the_ratios():
    """Weights 1 / x^2: each response over its loading counts alike."""
    x, y = np.array([1.0, 2.0, 5.0, 5.0]), np.array([1.1, 1.9, 5.5, 4.6])
    found = slope_through_zero(x, y, 0.0)
    ratios = y / x
    assert found.value == pytest.approx(ratios.mean())
    assert found.standard_error == pytest.approx(ratios.std(ddof=1) / 2)
    assert found.n_spiked == 4
    assert found.pull == 0.0


def test_without_any_scatter_each_point_counts_alike():
    x, y = np.array([1.0, 2.0, 4.0]), np.array([1.0, 2.5, 3.5])
    assert slope_through_zero(x, y, 0.0, relative=0.0).value == pytest.approx(x @ y / (x @ x))
    level = slope_through_zero([1.0, 1.0], [0.5, -0.5], 0.0)
    assert level[:2] == pytest.approx((0.0, math.sqrt(0.25)))


@given(LOADINGS, st.floats(0.01, 100.0))
@FEW
def test_a_slope_without_scatter_is_recovered_exactly(x, b):
    found = slope_through_zero(x, np.array(x) * b, scatter=0.1)
    assert found.value == pytest.approx(b, rel=1e-9)
    assert found.standard_error == pytest.approx(0.0, abs=1e-7 * b)


@given(LOADINGS, st.floats(1e-3, 1e3), st.integers(0, 1000))
@FEW
def test_a_slope_scales_with_the_unit_of_the_score(x, unit, seed):
    y = np.array(x) * 2 + np.random.default_rng(seed).normal(0, 0.3, len(x))
    plain, scaled = slope_through_zero(x, y, 0.3), slope_through_zero(x, y * unit, 0.3 * unit)
    assert scaled.value == pytest.approx(plain.value * unit, rel=1e-6)
    assert scaled.standard_error == pytest.approx(plain.standard_error * unit, rel=1e-5)


@pytest.mark.parametrize("scatter", [0.02, 0.1, 0.5])
def test_the_slope_is_weighted_least_squares_with_a_tenth_of_the_response_as_scatter(scatter):
    """numpy's lstsq and inv on rows divided by sqrt(s_b^2 + (0.1 b x)^2) find b, s1 and pull."""
    rng = np.random.default_rng(3)
    x = np.array([1.0, 1, 1, 3, 3, 8])
    y = 0.7 * x + rng.normal(0, 0.2, 6)
    share = np.array([1.0, 0.5, 0.0, 1.0, 0.25, 1.0])
    found = slope_through_zero(x, y, scatter, shared=share)
    sd = np.sqrt(scatter**2 + (0.1 * found.value * x) ** 2)
    rows = (x / sd)[:, None]
    (value,), (left,), *_ = np.linalg.lstsq(rows, y / sd)
    variance = left / 5 * np.linalg.inv(rows.T @ rows)[0, 0]
    assert found.value == pytest.approx(value, rel=1e-10)
    assert found.standard_error == pytest.approx(math.sqrt(variance), rel=1e-10)
    assert found.pull == pytest.approx(np.linalg.lstsq(rows, share / sd)[0][0], rel=1e-10)


def test_fewer_than_two_spiked_mockups_above_zero_give_no_slope():
    one = slope_through_zero([0.0, 1.0], [0.3, 0.5], 0.1, shared=1.0)
    assert math.isnan(one.value)
    assert math.isnan(one.standard_error)
    assert (one.n_spiked, one.pull) == (1, 0.0)
    assert slope_through_zero([0.0, 0.0], [0.1, 0.2], 0.1).n_spiked == 0
    two = slope_through_zero([0.0, 1.0, 1.0], [9.0, 0.4, 0.6], 0.1)
    assert (two.value, two.n_spiked) == (pytest.approx(0.5), 2)


@given(st.floats(-3, 3), st.floats(0, 1))
@FEW
def test_the_pull_is_how_a_rise_of_the_blanks_moves_the_loading(rise, share):
    """Against the slope and the difference taken anew with raised blanks."""
    x, y, found = np.array([1.0, 1.0, 3.0]), np.array([0.5, 0.6, 1.6]), 0.7
    slope = slope_through_zero(x, y, 1.0, relative=0.0, shared=share)
    moved = slope_through_zero(x, y - rise * share, 1.0, relative=0.0)
    assert moved.value == pytest.approx(slope.value - slope.pull * rise, abs=1e-12)
    step = 1e-6
    after = (found - step) / slope_through_zero(x, y - step * share, 1.0, relative=0.0).value
    before = found / slope.value
    by_rule = -(1 - slope.pull * before) / slope.value
    assert (after - before) / step == pytest.approx(by_rule, rel=1e-4)
