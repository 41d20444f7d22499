"""Free fits of bands: the compiled way against scipy's, bounds, errors, what has no effect."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError
from residuekit.kernels import compiled
from residuekit.kernels.band_fits import bounds, fit_free_bands
from residuekit.kernels.unmix import Band, pseudo_voigt

AXIS = np.linspace(1680.0, 1790.0, 57)
START = [Band(1.0, 1718.0, 16.0, 0.5), Band(1.0, 1752.0, 16.0, 0.5)]
SHAPES = ("centre", "width", "lorentz")


def spectra(n: int, seed: int, noise: float = 0.002) -> np.ndarray:
    """Pairs of bands near START on a sloping line."""
    rng = np.random.default_rng(seed)
    rows = rng.uniform(-0.1, 0.2, (n, 1)) + rng.uniform(-1e-3, 1e-3, (n, 1)) * (AXIS - 1735)
    for row in rows:
        for band in START:
            row += pseudo_voigt(AXIS, Band(rng.uniform(0.1, 0.5), band.centre + rng.normal(0, 1.5),
                                           rng.uniform(12, 20), rng.uniform(0.2, 0.8)))  # fmt: skip
    return rows + rng.normal(0, noise, rows.shape)


def slowly(*arguments):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(compiled, "_failures", ["asked for"])
        return fit_free_bands(*arguments)


@settings(max_examples=6, deadline=None)
@given(n=st.integers(0, 40), seed=st.integers(0, 99), free=st.sets(st.sampled_from(SHAPES)))
def test_the_compiled_fit_is_that_of_scipy(n, seed, free):
    rows = spectra(n, seed)
    fast, slow = (fit(rows, AXIS, START, sorted(free)) for fit in (fit_free_bands, slowly))
    assert (fast.cost <= slow.cost * (1 + 1e-6)).all()
    np.testing.assert_allclose(fast.bands, slow.bands, rtol=1e-3, atol=1e-5)
    np.testing.assert_allclose(fast.standard_error, slow.standard_error, rtol=1e-3)


def test_float32_spectra_give_the_cost_of_float64():
    rows = spectra(20, 1).astype(np.float32)
    found = fit_free_bands(rows, AXIS, START, SHAPES)
    exact = fit_free_bands(rows.astype(np.float64), AXIS, START, SHAPES)
    np.testing.assert_allclose(found.cost, exact.cost, rtol=1e-6)


@pytest.mark.parametrize("fit", [fit_free_bands, slowly])
def test_no_parameter_leaves_its_bounds_and_one_that_ends_there_has_no_error(fit):
    """A band more pointed than a Lorentz shape, and one that lies past the end of the axis."""
    u2 = (2 * (AXIS - 1718) / 16) ** 2
    pointed = 0.3 / (1 + u2) ** 0.5 + pseudo_voigt(AXIS, START[1]._replace(height=0.2))
    past = sum(pseudo_voigt(AXIS, Band(0.3, centre, 16.0, 0.5)) for centre in (1718, 1793))
    late = [START[0], START[1]._replace(centre=1788.0)]
    shares, places = fit(pointed, AXIS, START, SHAPES), fit(past, AXIS, late, ["centre"])
    for found in (shares, places):
        for name, (low, high) in bounds(AXIS).items():
            values = found.bands[..., Band._fields.index(name)]
            assert (low <= values).all()
            assert (values <= high).all()
    assert shares.bands[0, 0, 3] == pytest.approx(1.0, abs=1e-6)
    assert np.isnan(shares.standard_error[0, 0, 3])
    assert np.isfinite(shares.standard_error[0, 0, :3]).all()
    assert places.bands[0, 1, 1] == pytest.approx(AXIS[-1], abs=1e-6)
    assert np.isnan(places.standard_error[0, 1, 1])


def test_an_exact_and_a_flat_spectrum_come_to_an_end():
    exact = sum(pseudo_voigt(AXIS, band._replace(height=0.3)) for band in START) + 0.1
    rows = np.array([exact, np.full(AXIS.size, 0.2), np.zeros(AXIS.size)])
    found = fit_free_bands(rows, AXIS, START, SHAPES)
    assert found.cost.max() < 1e-20
    np.testing.assert_allclose(found.bands[0, :, 0], 0.3, rtol=1e-6)
    np.testing.assert_allclose(found.bands[1:, :, 0], 0.0, atol=1e-9)


def test_standard_errors_are_those_of_repeated_noise():
    row = spectra(1, 5, noise=0.0)
    rows = row + np.random.default_rng(6).normal(0, 0.002, (2000, AXIS.size))
    found = fit_free_bands(rows, AXIS, START, SHAPES)
    np.testing.assert_allclose(
        found.bands.std(axis=0), np.median(found.standard_error, axis=0), rtol=0.12
    )


def test_two_bands_that_start_alike_are_refused():
    with pytest.raises(ContractError, match="mixture of the others"):
        fit_free_bands(spectra(2, 0), AXIS, [START[0], START[0]], SHAPES)
