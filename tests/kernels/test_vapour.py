"""Vapour lines are found by amount, shift and width, and taken off; paint is left alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ProcedureError
from residuekit.kernels.vapour import fit_vapour, subtract_vapour

AXIS = np.arange(1200.0, 2100.0, 1.0)
LINES = (1653, 1699, 1717, 1734, 1740, 1772, 1793, 1830, 1844, 1869, 1889)


def vapour(wavenumber, width=2.0):
    """Invented lines, 1 high, at or near places where vapour has some."""
    return sum(np.exp(-(((wavenumber - place) / width) ** 2)) for place in LINES)


def paint():
    return 0.6 * np.exp(-(((AXIS - 1733) / 18) ** 2))


@given(scale=st.floats(0.02, 1.0), shift=st.floats(-0.8, 0.8))
@settings(max_examples=25, deadline=None)
def test_amount_and_shift_are_found_and_the_carbonyl_stays(scale, shift):
    measured = (paint() + scale * vapour(AXIS - shift))[None]
    found = fit_vapour(measured, AXIS, vapour)
    assert found.scale[0] == pytest.approx(scale, rel=0.02)
    assert found.shift[0] == pytest.approx(shift, abs=0.05)
    left = subtract_vapour(measured, AXIS, vapour)[0] - paint()
    assert np.abs(left).max() < 0.03 * scale


@given(width=st.floats(1.8, 2.6))
@settings(max_examples=15, deadline=None)
def test_vapour_of_another_resolution_leaves_a_tenth_or_less(width):
    measured = (paint() + 0.1 * vapour(AXIS - 0.3, width))[None]
    left = subtract_vapour(measured, AXIS, vapour)[0] - paint()
    assert np.abs(left).max() < 0.01


def test_a_spectrum_without_vapour_is_left_alone():
    rows = paint() + np.random.default_rng(1).normal(0, 1e-3, (500, AXIS.size))
    found = fit_vapour(rows, AXIS, vapour)
    assert (found.scale == 0).mean() > 0.9
    changed = subtract_vapour(rows, AXIS, vapour) - rows
    assert np.abs(changed[:, np.abs(AXIS - 1735) < 10]).mean() < 2e-4


def test_nothing_changes_outside_the_range_and_nothing_steps_at_its_ends():
    rows = (paint() + 0.3 * vapour(AXIS) + 0.05)[None]
    left = subtract_vapour(rows, AXIS, lambda x: vapour(x) + 0.2, within=(1600, 1950))
    outside = (AXIS < 1600) | (AXIS > 1950)
    np.testing.assert_array_equal(left[:, outside], rows[:, outside])
    assert np.abs(left - rows)[0, np.isin(AXIS, (1600, 1950))].max() < 1e-12


def test_missing_values_stay_in_their_spectrum():
    rows = np.tile(paint() + 0.3 * vapour(AXIS), (3, 1))
    rows[1, 650] = np.nan
    left = subtract_vapour(rows, AXIS, vapour)
    assert np.isnan(left[1]).all()
    assert np.isfinite(left[[0, 2]]).all()


def test_too_few_channels_are_refused():
    with pytest.raises(ProcedureError, match="12 channels"):
        fit_vapour(np.zeros((1, AXIS.size)), AXIS, vapour, fit=(1800, 1805))
