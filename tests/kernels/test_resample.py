"""Resampling: lines exact, slow waves kept, fast waves gone, white noise still white."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ProcedureError
from residuekit.kernels.resample import resampling_matrix

FINE = np.arange(800.0, 2000.0, 1.0)
COARSE = np.arange(802.0, 1998.0, 4.0)
INNER = (COARSE > 850) & (COARSE < 1950)


@given(spacing=st.floats(0.4, 20), offset=st.floats(0, 1))
@settings(max_examples=25, deadline=None)
def test_a_straight_line_stays_one(spacing, offset):
    new = np.arange(810 + offset, 1990, spacing)
    found = resampling_matrix(FINE, new) @ (0.3 + 0.001 * FINE)
    np.testing.assert_allclose(found, 0.3 + 0.001 * new, atol=1e-9)


def test_what_the_coarse_axis_can_hold_is_kept_and_the_rest_does_not_fold_back():
    matrix = resampling_matrix(FINE, COARSE)
    slow = np.cos(2 * np.pi * FINE / 12.0)
    np.testing.assert_allclose(
        (matrix @ slow)[INNER], np.cos(2 * np.pi * COARSE / 12.0)[INNER], atol=0.01
    )
    fast = np.cos(2 * np.pi * FINE / 5.5)
    assert np.abs((matrix @ fast)[INNER]).max() < 0.01
    assert np.abs(np.interp(COARSE, FINE, fast)).max() > 0.9


def test_white_noise_stays_white_and_falls_by_the_root_of_the_ratio():
    matrix = resampling_matrix(FINE, COARSE)[INNER]
    covariance = matrix @ matrix.T
    assert np.diag(covariance).mean() == pytest.approx(1 / 4, rel=0.08)
    assert abs(np.diag(covariance, 1).mean()) < 0.06 * np.diag(covariance).mean()


def test_a_shifted_axis_of_the_same_spacing_is_a_cubic_spline():
    from scipy.interpolate import CubicSpline

    band = np.exp(-(((FINE - 1400) / 10) ** 2))
    new = FINE[:-1] + 0.4
    np.testing.assert_allclose(
        resampling_matrix(FINE, new) @ band, CubicSpline(FINE, band)(new), atol=1e-9
    )


@pytest.mark.parametrize("new", [np.arange(700.0, 900.0, 2.0), np.array([1000.0])])
def test_a_target_that_leaves_the_axis_or_is_no_axis_is_refused(new):
    with pytest.raises(ProcedureError):
        resampling_matrix(FINE, new)
