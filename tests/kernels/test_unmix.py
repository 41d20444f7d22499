"""Unmixing and fits with fixed shapes against scipy, theory and simulation."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError
from residuekit.kernels.unmix import Band, cramer_rao_heights, fit_shapes, nnls, pseudo_voigt

AXIS = np.arange(1680.0, 1790.0, 4.0)
CLOSE = [Band(0.2, 1730.0, 16.0, 0.6), Band(0.2, 1735.0, 16.0, 0.6)]


def mixtures(
    n_spectra: int, n_references: int, width: float, seed: int
) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    axis = np.linspace(0, 1, 120)
    centres = np.linspace(0.1, 0.9, n_references)[:, None]
    references = np.exp(-0.5 * ((axis - centres) / width) ** 2) + 0.05
    amounts = np.maximum(rng.normal(size=(n_spectra, n_references)), 0)
    return amounts @ references + 0.3 * rng.normal(size=(n_spectra, 120)), references


@pytest.mark.parametrize(
    ("n_references", "width"), [(1, 0.08), (2, 0.3), (5, 0.08), (5, 0.3), (12, 0.08)]
)
def test_nnls_has_the_active_sets_and_values_of_scipy(n_references: int, width: float) -> None:
    spectra, references = mixtures(1500, n_references, width, 1)
    ours = nnls(spectra, references)
    scipys = np.array([scipy.optimize.nnls(references.T, one)[0] for one in spectra])
    assert ((ours > 0) == (scipys > 0)).all()
    np.testing.assert_allclose(ours, scipys, rtol=1e-8, atol=1e-10)
    assert n_references == 1 or 0.05 < (ours == 0).mean() < 0.95


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    n_references=st.integers(1, 7),
    unit=st.floats(1e-6, 1e6),
    reference_unit=st.floats(1e-6, 1e6),
)
def test_nnls_meets_the_conditions_of_kuhn_and_tucker_in_any_unit(
    seed: int, n_references: int, unit: float, reference_unit: float
) -> None:
    rng = np.random.default_rng(seed)
    references = rng.normal(size=(n_references, 15))
    spectra = rng.normal(size=(20, 15))
    amounts = nnls(spectra * unit, references * reference_unit) * reference_unit / unit
    gradient = (spectra - amounts @ references) @ references.T
    assert (amounts >= 0).all()
    assert gradient.max() < 1e-9
    assert np.abs(gradient[amounts > 0]).max(initial=0) < 1e-9


def test_nnls_gives_nan_for_missing_pixels_and_zero_for_empty_ones() -> None:
    spectra, references = mixtures(2000, 3, 0.1, 2)
    spectra = spectra.astype(np.float32)
    whole = nnls(spectra, references)
    spectra[5, 7], spectra[1500, 0], spectra[9] = np.nan, np.inf, 0
    found = nnls(spectra, references)
    assert np.isnan(found).all(axis=1).nonzero()[0].tolist() == [5, 1500]
    assert (found[9] == 0).all()
    rest = np.delete(np.arange(2000), [5, 9, 1500])
    np.testing.assert_allclose(found[rest], whole[rest], rtol=1e-10)
    assert nnls(np.zeros((0, 120)), references).shape == (0, 3)


def test_refusals_say_what_is_needed() -> None:
    spectra, references = mixtures(3, 3, 0.1, 3)
    with pytest.raises(ContractError, match="one wavenumber axis"):
        nnls(spectra[:, :50], references)
    with pytest.raises(ContractError, match="mixture of the others"):
        nnls(spectra, [references[0], references[1], references[0] + references[1]])
    with pytest.raises(ContractError, match="zero or not finite"):
        nnls(spectra, np.zeros((1, 120)))
    with pytest.raises(ContractError, match="at most 62"):
        nnls(spectra, np.random.default_rng(0).normal(size=(63, 120)))
    with pytest.raises(ContractError, match="at most 1"):
        fit_shapes(np.zeros((1, 2)), np.eye(2))


def test_pseudo_voigt_halves_at_half_its_width_and_mixes_its_parts() -> None:
    for share in (0.0, 0.3, 1.0):
        band = Band(0.4, 1000.0, 20.0, share)
        np.testing.assert_allclose(pseudo_voigt([990, 1000, 1010], band), [0.2, 0.4, 0.2])
    assert pseudo_voigt(1020.0, Band(1, 1000.0, 20.0, 1.0)) == pytest.approx(0.2)
    assert pseudo_voigt(1020.0, Band(1, 1000.0, 20.0, 0.0)) == pytest.approx(1 / 16)


def test_fixed_shapes_are_the_least_squares_of_numpy_with_its_covariance() -> None:
    rng = np.random.default_rng(4)
    shapes = np.array([pseudo_voigt(AXIS, one) for one in CLOSE] + [np.ones_like(AXIS)])
    spectra = rng.normal(size=(1100, 3)) @ shapes + 0.01 * rng.normal(size=(1100, AXIS.size))
    fit = fit_shapes(spectra, shapes)
    heights, squares, *_ = np.linalg.lstsq(shapes.T, spectra.T)
    np.testing.assert_allclose(fit.heights, heights.T, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(fit.noise**2, squares / (AXIS.size - 3), rtol=1e-8)
    np.testing.assert_allclose(fit.covariance, np.linalg.inv(shapes @ shapes.T), rtol=1e-9)
    assert np.sqrt(np.mean(fit.noise**2)) == pytest.approx(0.01, rel=0.02)


def test_stated_error_of_fixed_shapes_is_the_scatter_and_the_cramer_rao_bound() -> None:
    rng = np.random.default_rng(5)
    shapes = np.array([pseudo_voigt(AXIS, one._replace(height=1.0)) for one in CLOSE])
    spectra = [0.2, 0.2] @ shapes + 0.002 * rng.normal(size=(6000, AXIS.size))
    fit = fit_shapes(spectra, shapes, noise=0.002)
    bound = cramer_rao_heights(AXIS, CLOSE, 0.002, free=["height"])
    np.testing.assert_allclose(fit.standard_error[0], bound, rtol=1e-9)
    np.testing.assert_allclose(fit.heights.std(axis=0), bound, rtol=0.04)
    np.testing.assert_allclose(fit.heights.mean(axis=0), 0.2, atol=2e-4)


def test_cramer_rao_of_two_close_bands_explodes_once_shapes_are_free() -> None:
    """Computed for this project: height 0.2, noise 0.002; about 0.146 against 0.0026."""
    free = cramer_rao_heights(AXIS, CLOSE, 0.002)
    fixed = cramer_rao_heights(AXIS, CLOSE, 0.002, free=["height"])
    np.testing.assert_allclose(free, 0.146, atol=0.005)
    np.testing.assert_allclose(fixed, 0.0026, atol=5e-5)
    apart = [CLOSE[0]._replace(centre=1710.0), CLOSE[1]._replace(centre=1760.0)]
    assert cramer_rao_heights(AXIS, apart, 0.002).max() < 0.01
    assert (cramer_rao_heights(AXIS, CLOSE, 0.002, baseline=True) > free).all()
    assert np.isinf(cramer_rao_heights(AXIS, [CLOSE[0], CLOSE[0]], 0.002)).all()


@settings(max_examples=30, deadline=None)
@given(
    width=st.floats(8, 40), share=st.floats(0, 1), height=st.floats(0.01, 2), gap=st.floats(10, 50)
)
def test_cramer_rao_derivatives_are_those_of_the_band(
    width: float, share: float, height: float, gap: float
) -> None:
    bands = [Band(height, 1710.0, width, share), Band(0.3, 1710.0 + gap, width, 0.5)]
    columns = []
    for band in bands:
        for name in Band._fields:
            sides = []
            for sign in (1, -1):
                moved = band._replace(**{name: getattr(band, name) + sign * 1e-4})
                sides.append(pseudo_voigt(AXIS, moved))
            columns.append((sides[0] - sides[1]) / 2e-4)
    information = np.array(columns) @ np.array(columns).T
    numeric = 0.01 * np.sqrt(np.diag(np.linalg.inv(information)))[[0, 4]]
    np.testing.assert_allclose(cramer_rao_heights(AXIS, bands, 0.01), numeric, rtol=1e-3)
