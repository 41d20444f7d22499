"""Scatter correction: what is taken out, what is kept, what cannot be corrected."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError
from residuekit.kernels.emsc import correct_scatter, scatter_model

AXIS = np.linspace(800.0, 1900.0, 276)
PAINT = sum(np.exp(-(((AXIS - c) / w) ** 2)) for c, w in ((900, 30), (1150, 60), (1420, 40)))
GEL = np.exp(-(((AXIS - 1092) / 25) ** 2))


@settings(max_examples=30, deadline=None)
@given(
    thickness=st.floats(0.1, 10), residue=st.floats(0, 0.5), offset=st.floats(-1, 1),
    slope=st.floats(-1, 1), curve=st.floats(-1, 1),
)  # fmt: skip
def test_a_kept_shape_survives_and_thickness_and_curvature_do_not(
    thickness, residue, offset, slope, curve
):
    place = (AXIS - AXIS.mean()) / 500
    y = thickness * (PAINT + residue * GEL) + offset + slope * place + curve * place**2
    corrected, b = correct_scatter(y[None], scatter_model(PAINT, AXIS, order=2, kept=GEL))
    np.testing.assert_allclose(b, thickness, rtol=1e-8)
    np.testing.assert_allclose(corrected[0], PAINT + residue * GEL, atol=1e-7)


def test_without_keeping_it_the_residue_bends_the_thickness():
    y = (PAINT + 0.5 * GEL)[None]
    _, kept = correct_scatter(y, scatter_model(PAINT, AXIS, order=2, kept=GEL))
    _, bent = correct_scatter(y, scatter_model(PAINT, AXIS, order=2))
    assert abs(kept[0] - 1) < 1e-10
    assert abs(bent[0] - 1) > 0.01


def test_order_0_is_the_regression_on_the_mean_of_geladi():
    """y = a + b mean; corrected = (y - a) / b, from numpy's straight-line fit."""
    block = np.random.default_rng(1).uniform(0.5, 2, (6, 1)) * PAINT + 0.1
    block += np.random.default_rng(2).normal(0, 0.01, block.shape)
    mean = block.mean(axis=0)
    corrected, b = correct_scatter(block, scatter_model(mean, AXIS, order=0))
    slope, level = np.polyfit(mean, block.T, 1)
    np.testing.assert_allclose(b, slope, rtol=1e-9)
    np.testing.assert_allclose(corrected, (block - level[:, None]) / slope[:, None], atol=1e-9)


def test_a_spectrum_that_cannot_be_corrected_is_lost_and_changes_no_other():
    block = np.array([PAINT, -PAINT, PAINT, np.zeros_like(PAINT)]) + 0.1
    block[2, 5] = np.nan
    corrected, b = correct_scatter(block.astype(np.float32), scatter_model(PAINT, AXIS))
    assert corrected.dtype == np.float32
    np.testing.assert_allclose(corrected[0], PAINT, atol=1e-6)
    assert np.isnan(corrected[1:3]).all()
    assert np.isnan(b[1:3]).all()


@pytest.mark.parametrize("kept", [PAINT, AXIS, np.full(276, np.nan), np.zeros(276)])
def test_terms_that_cannot_be_told_apart_are_refused(kept):
    with pytest.raises(ContractError, match="mixtures of each other"):
        scatter_model(PAINT, AXIS, order=2, kept=kept)


def test_a_reference_on_another_axis_is_refused():
    with pytest.raises(ContractError, match="one value a channel"):
        scatter_model(PAINT[:-1], AXIS)
