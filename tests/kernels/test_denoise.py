"""Principal components in blocks: those of a general library, whatever the blocks."""

import numpy as np
import pytest
from sklearn.decomposition import PCA

from residuekit.errors import ContractError
from residuekit.kernels.denoise import denoise, principal_components


def spectra(n: int = 600, noise: float = 0.01) -> np.ndarray:
    rng = np.random.default_rng(1)
    x = np.linspace(0, 1, 80)
    shapes = np.exp(-(((x - np.array([[0.2], [0.5], [0.8]])) / 0.08) ** 2))
    amounts = rng.normal(size=(n, 3)) * [3, 2, 1]
    return 5 + amounts @ shapes + rng.normal(0, noise, (n, 80))


def test_components_are_those_of_scikit_learn():
    block = spectra()
    found = principal_components(block, 5)
    expected = PCA(5, svd_solver="full").fit(block)
    np.testing.assert_allclose(found.variances, expected.explained_variance_, rtol=1e-9)
    np.testing.assert_allclose(found.mean, expected.mean_, rtol=1e-12)
    cosines = np.abs(np.vecdot(found.loadings[:3], expected.components_[:3]))
    np.testing.assert_allclose(cosines, 1, atol=1e-9)
    assert found.total_variance == pytest.approx(block.var(axis=0, ddof=1).sum())


def test_the_blocks_and_missing_spectra_do_not_matter():
    block = spectra()
    whole = principal_components(block, 3)
    spoilt = np.insert(block, [0, 100, 600], np.nan, axis=0)
    parts = principal_components(lambda: np.array_split(spoilt, 7), 3)
    np.testing.assert_allclose(parts.variances, whole.variances, rtol=1e-9)
    np.testing.assert_allclose(parts.loadings, whole.loadings, atol=1e-9)


def test_denoising_takes_the_noise_out_and_leaves_the_shapes():
    clean, block = spectra(noise=0), spectra(noise=0.05)
    found = denoise(block, principal_components(block, 3))
    assert np.std(found - clean) < 0.3 * np.std(block - clean)


def test_a_missing_spectrum_stays_missing_and_the_type_is_kept():
    block = spectra().astype(np.float32)
    components = principal_components(block, 3)
    spoilt = block.copy()
    spoilt[7, 3] = np.nan
    found = denoise(spoilt, components)
    assert found.dtype == np.float32
    assert np.isnan(found[7]).all()
    rest = np.delete(np.arange(600), 7)
    np.testing.assert_array_equal(found[rest], denoise(block, components)[rest])


def test_more_components_than_spectra_are_refused():
    with pytest.raises(ContractError, match="more spectra than components"):
        principal_components(spectra(3), 3)
