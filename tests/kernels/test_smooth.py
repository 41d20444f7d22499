"""Savitzky-Golay: exact for polynomials, edges too; the matrix is the filter."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ProcedureError
from residuekit.kernels.smooth import even_spacing, savitzky_golay, savitzky_golay_matrix

RNG = np.random.default_rng(5)


@settings(max_examples=40, deadline=None)
@given(half=st.integers(1, 10), order=st.integers(0, 5), derivative=st.integers(0, 2),
       spacing=st.floats(0.1, 10))  # fmt: skip
def test_a_polynomial_of_the_order_is_reproduced_to_both_ends(half, order, derivative, spacing):
    window = 2 * half + 1
    order = min(order, window - 1)
    derivative = min(derivative, order)
    place = spacing * np.arange(-15, 16)
    truth = np.polynomial.Polynomial(np.linspace(1, 2, order + 1) / (15 * spacing) ** np.arange(
        order + 1))  # fmt: skip
    found = savitzky_golay(
        truth(place)[None], spacing, window=window, order=order, derivative=derivative
    )
    unit = (15 * spacing) ** derivative
    expected = truth.deriv(derivative)(place) if derivative else truth(place)
    np.testing.assert_allclose(found[0] * unit, expected * unit, atol=1e-8)


@pytest.mark.parametrize("derivative", [0, 1, 2])
def test_the_matrix_is_the_filter(derivative):
    block = RNG.normal(size=(6, 50))
    matrix = savitzky_golay_matrix(50, 11, 3, derivative, 2.0).toarray()
    smoothed = savitzky_golay(block, 2.0, window=11, order=3, derivative=derivative)
    np.testing.assert_allclose(smoothed, block @ matrix.T, rtol=0, atol=1e-12)


def test_the_matrix_holds_one_window_a_row():
    matrix = savitzky_golay_matrix(1000, 9, 2)
    assert matrix.shape == (1000, 1000)
    assert matrix.nnz == 9000


def test_the_noise_of_the_smoothed_spectrum_follows_from_the_matrix():
    noise = np.random.default_rng(0).normal(size=(40_000, 15))
    matrix = savitzky_golay_matrix(15, 7, 2).toarray()
    smoothed = savitzky_golay(noise, 1.0, window=7, order=2)
    np.testing.assert_allclose(np.cov(smoothed.T), matrix @ matrix.T, atol=0.03)


def test_a_spectrum_with_nan_is_lost_and_changes_no_other():
    block = RNG.normal(size=(3, 40))
    spoilt = block.copy()
    spoilt[1, 20] = np.nan
    result = savitzky_golay(spoilt, 1.0)
    assert np.isnan(result[1]).all()
    np.testing.assert_array_equal(result[[0, 2]], savitzky_golay(block, 1.0)[[0, 2]])


def test_a_flat_spectrum_stays_flat_and_its_derivative_is_nought():
    flat = np.full((1, 30), 0.3)
    np.testing.assert_allclose(savitzky_golay(flat, 1.0), flat, rtol=1e-13)
    np.testing.assert_allclose(savitzky_golay(flat, 1.0, derivative=1), 0, atol=1e-14)


@pytest.mark.parametrize(
    ("n", "window", "order", "derivative"),
    [(7, 9, 2, 0), (20, 8, 2, 0), (20, 5, 5, 0), (20, 5, 1, 2)],
)
def test_a_window_that_does_not_fit_is_refused(n, window, order, derivative):
    with pytest.raises(ProcedureError, match="odd window, order < window <= channels"):
        savitzky_golay_matrix(n, window, order, derivative)


def test_an_axis_with_rounded_wavenumbers_is_even():
    axis = np.round(650 + 1.9285 * np.arange(1000), 2)
    assert even_spacing(axis) == pytest.approx(1.9285, rel=1e-5)


def test_an_uneven_axis_is_refused_with_the_place():
    axis = np.arange(1000.0, 1100.0, 2.0)
    axis[20:] += 0.5
    with pytest.raises(ProcedureError, match=r"a step of 2\.5 cm-1 at 1038 cm-1"):
        even_spacing(axis)


def test_a_single_channel_has_no_spacing():
    with pytest.raises(ProcedureError, match="2 channels or more"):
        even_spacing([1000.0])
