"""Fits on labelled arrays: heights in maps, one spectrum in full, the warning that is due."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import xarray as xr

from residuekit import schema
from residuekit.errors import ContractError, ResiduekitWarning
from residuekit.kernels.band_fits import pseudo_voigt
from residuekit.spectra.fits import Band, band_heights, fit_bands

AXIS = np.arange(1640.0, 1840.0, 2.0)
PAINT, GEL = Band(0.2, 1730.0, 18.0, 0.4), Band(0.05, 1735.0, 16.0, 0.6)
APART = Band(0.1, 1780.0, 12.0, 0.2)


def spectrum(*bands: Band, noise: float = 0.002, seed: int = 0) -> xr.DataArray:
    errors = noise * np.random.default_rng(seed).normal(size=AXIS.size)
    values = sum(pseudo_voigt(AXIS, band) for band in bands) + 0.03 + 1e-4 * (AXIS - 1700) + errors
    return schema.make_points(values, AXIS)


def test_heights_of_a_map_are_true_within_their_errors_and_missing_where_the_pixel_is() -> None:
    rng = np.random.default_rng(1)
    truth = rng.uniform(0, 0.3, size=(2, 20, 30))
    shapes = np.array([pseudo_voigt(AXIS, band._replace(height=1.0)) for band in (PAINT, GEL)])
    values = np.einsum("kyx,kc->yxc", truth, shapes) + 0.1 - 1e-4 * (AXIS - 1700)
    values += 0.002 * rng.normal(size=values.shape)
    values[3, 4, 5] = np.nan
    found = band_heights(
        schema.make_map(values, AXIS, np.arange(30.0), np.arange(20.0)), (PAINT, GEL)
    )
    assert found["height"].dims == ("band", "y", "x")
    assert found["centre"].values.tolist() == [1730.0, 1735.0]
    missing = np.isnan(found["height"].values)
    assert missing.sum() == 2
    assert missing[:, 3, 4].all()
    off = ((found["height"] - truth) / found["standard_error"]).values[~missing]
    assert off.std() == pytest.approx(1, abs=0.08)
    assert abs(off.mean()) < 0.1


def test_one_spectrum_with_fixed_shapes_gives_what_the_map_fit_gives() -> None:
    one = spectrum(PAINT, GEL)
    fit = fit_bands(one, [PAINT, GEL])
    batched = band_heights(one, [PAINT, GEL])
    for i in (0, 1):
        assert fit.bands[i].height == pytest.approx(float(batched["height"][i, 0]), rel=1e-6)
        expected = float(batched["standard_error"][i, 0])
        assert fit.standard_error[i].height == pytest.approx(expected, rel=1e-5)
        assert fit.least_error[i] == pytest.approx(expected, rel=1e-5)
        assert fit.bands[i][1:] == (PAINT, GEL)[i][1:]
    assert "[[Variables]]" in fit.report
    assert "offset" in fit.report
    assert float(np.std(fit.fitted - one[0])) == pytest.approx(fit.noise, rel=0.1)


def test_free_fit_of_bands_well_apart_finds_the_truth_without_a_warning() -> None:
    true = [PAINT, APART]
    start = [Band(0.1, 1733.0, 22.0, 0.5), Band(0.1, 1776.0, 15.0, 0.5)]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        fit = fit_bands(spectrum(*true)[0], start, free=("centre", "width", "lorentz"))
    for band, error, least, truth in zip(
        fit.bands, fit.standard_error, fit.least_error, true, strict=True
    ):
        assert np.abs(np.subtract(band, truth) / error).max() < 4
        assert error.height == pytest.approx(least, rel=0.5)
    assert fit.noise == pytest.approx(0.002, rel=0.25)


def test_free_fit_of_bands_closer_than_their_width_warns_with_the_cramer_rao_number() -> None:
    with pytest.warns(ResiduekitWarning, match="1730 and 1735 cm-1 are closer") as caught:
        fit = fit_bands(spectrum(PAINT, GEL), [PAINT, GEL], free=("centre", "width"))
    assert f"± {fit.least_error[1]:.2g} (Cramer-Rao" in str(caught[0].message)
    assert caught[0].filename == __file__
    assert fit.least_error[1] > 5 * fit_bands(spectrum(PAINT, GEL), [PAINT, GEL]).least_error[1]


def test_result_shows_itself_as_text_table_and_frame() -> None:
    fit = fit_bands(spectrum(PAINT, APART), [PAINT, APART])
    frame = fit.to_frame()
    assert frame["centre"].tolist() == [1730.0, 1780.0]
    assert frame["centre_error"].tolist() == [0.0, 0.0]
    assert "1730.0 cm-1" in str(fit)
    assert "<table>" in fit._repr_html_()


def test_refusals_say_what_is_needed() -> None:
    one = spectrum(PAINT)
    with pytest.raises(ContractError, match="did you mean 'width'"):
        fit_bands(one, [PAINT], free=["widht"])
    with pytest.raises(ContractError, match="a centre on the axis"):
        band_heights(one, [PAINT._replace(centre=900.0)])
    with pytest.raises(ContractError, match="at least one band"):
        fit_bands(one, [])
    with pytest.raises(ContractError, match="one valid spectrum"):
        fit_bands(xr.concat([one, one], "spectrum"), [PAINT])
    with pytest.raises(ContractError, match="more channels than parameters"):
        fit_bands(one[:, 44:47], [PAINT], free=["width"])
    with pytest.raises(ContractError, match="mixture of the others"):
        fit_bands(one, [PAINT, PAINT])


def map_of_pairs(seed: int = 4) -> tuple[xr.DataArray, np.ndarray]:
    """A map of 6 x 8 pairs of bands that are not all alike, one pixel missing, and their truth."""
    rng = np.random.default_rng(seed)
    spread = (0.05, 1.5, 2.0, 0.1)
    truth = np.array([PAINT, APART]) + rng.uniform(-1, 1, (6, 8, 2, 4)) * spread
    values = np.array(
        [[sum(pseudo_voigt(AXIS, Band(*one)) for one in pixel) for pixel in row] for row in truth]
    )
    values += 0.03 + 1e-4 * (AXIS - 1700) + 0.002 * rng.normal(size=values.shape)
    values[2, 3, 4] = np.nan
    return schema.make_map(values, AXIS, np.arange(8.0), np.arange(6.0)), truth


def test_a_free_fit_of_a_map_finds_the_truth_within_its_errors() -> None:
    array, truth = map_of_pairs()
    start = [Band(0.1, 1733.0, 22.0, 0.5), Band(0.1, 1776.0, 15.0, 0.5)]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = band_heights(array, start, free=("centre", "width", "lorentz"))
    assert found["centre"].dims == ("band", "y", "x")
    assert found["centre"].attrs["units"] == "cm-1"
    assert np.isnan(found["width"][:, 2, 3]).all()
    for number, name in enumerate(Band._fields):
        error = found["standard_error" if name == "height" else f"{name}_error"]
        off = ((found[name] - np.moveaxis(truth[..., number], 2, 0)) / error).values
        off = off[np.isfinite(off)]
        assert off.size > 60
        assert 0.7 < off.std() < 1.3
        assert np.abs(off).max() < 5


@pytest.mark.parametrize("free", [("centre",), ("centre", "width", "lorentz")])
def test_a_free_fit_of_a_map_is_that_of_one_spectrum_after_the_other(free: tuple[str, ...]) -> None:
    array, _ = map_of_pairs()
    found = band_heights(array, [PAINT, APART], free=free)
    for y, x in ((0, 0), (3, 5), (5, 7)):
        fit = fit_bands(array[y, x], [PAINT, APART], free=free)
        heights = [band.height for band in fit.bands]
        np.testing.assert_allclose(found["height"][:, y, x], heights, rtol=1e-4)
        errors = [error.height for error in fit.standard_error]
        np.testing.assert_allclose(found["standard_error"][:, y, x], errors, rtol=1e-3)
        np.testing.assert_allclose(found["centre"][:, y, x], [b.centre for b in fit.bands])


def test_a_free_fit_of_a_map_of_close_bands_warns_as_that_of_one_spectrum_does() -> None:
    said = []
    for fit in (fit_bands, band_heights):
        with pytest.warns(ResiduekitWarning, match="1730 and 1735 cm-1 are closer") as caught:
            fit(spectrum(PAINT, GEL), [PAINT, GEL], free=("centre",))
        assert caught[0].filename == __file__
        said.append(str(caught[0].message))
    assert said[0] == said[1]


def test_a_free_fit_needs_known_names_and_enough_channels() -> None:
    with pytest.raises(ContractError, match="did you mean 'width'"):
        band_heights(spectrum(PAINT), [PAINT], free=["widht"])
    with pytest.raises(ContractError, match="more channels than parameters"):
        band_heights(spectrum(PAINT)[:, 44:49], [PAINT], free=["centre", "width"])


def test_a_map_without_a_valid_pixel_is_missing_throughout() -> None:
    array = spectrum(PAINT) * np.float32(np.nan)
    found = band_heights(schema.make_points(array.values, AXIS), [PAINT], free=["centre"])
    assert np.isnan(found["height"]).all()
    assert np.isnan(found["centre"]).all()
