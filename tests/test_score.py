"""Scores: linear, the right way up, lazy or not, and with a standard error that holds."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.decision.score_maps import band_score, net_signal_score
from residuekit.errors import ContractError, MarkerError
from residuekit.schema import history, make_map, make_points
from residuekit.spectra.arrays import mean_spectrum, same_axis, valid_spectra
from residuekit.spectra.steps import correct_baseline, crop, smooth

AXIS = np.arange(900.0, 1500.0, 4.0)
AREA = {"name": "area", "low": 1060, "high": 1140}
HEIGHT = {"name": "height", "low": 1060, "high": 1140, "measure": "height", "position": 1100}
BOTH = [AREA, HEIGHT]
NOISE = 2e-3


def band(position, sd=12.0):
    return np.exp(-0.5 * ((AXIS - position) / sd) ** 2)


def noisy(shape=(5, 6), seed=0, spectrum=0.0):
    rng = np.random.default_rng(seed)
    return spectrum + NOISE * rng.standard_normal((*shape, AXIS.size))


@settings(max_examples=20, deadline=None)
@given(st.floats(-3, 3), st.floats(-3, 3), st.integers(0, 1000))
def test_the_score_is_linear(a, b, seed):
    first, second = noisy(seed=seed), noisy(seed=seed + 1, spectrum=band(1100))
    single = [band_score(make_map(part, AXIS), BOTH)["score"] for part in (first, second)]
    mixed = band_score(make_map(a * first + b * second, AXIS), BOTH)["score"]
    np.testing.assert_allclose(mixed, a * single[0] + b * single[1], atol=2e-4)


def test_an_area_and_a_height_are_what_they_are_called():
    """A Gaussian of height 1 and sd 12 on a slope: area 12 sqrt(2 pi) less what the line cuts."""
    values = make_points(band(1100) + 0.2 + 1e-4 * AXIS, AXIS)
    scores = band_score(values, BOTH)
    np.testing.assert_allclose(
        scores["score"].values[:, 0], [12 * np.sqrt(2 * np.pi) - 80 * 0.0067, 1 - 0.0067], rtol=5e-3
    )
    assert scores["unit"].values.tolist() == ["A cm-1", "A"]
    assert scores["score"].dims == ("marker", "spectrum")


def test_a_pixel_s_score_stays_with_its_pixel():
    heights = np.arange(30).reshape(5, 6)
    array = make_map(heights[..., None] * band(1100), AXIS, np.arange(6.0), np.arange(5.0))
    score = band_score(array, [HEIGHT])["score"].sel(marker="height")
    assert score.dims == ("y", "x")
    unit = float(score.sel(y=0, x=1))
    np.testing.assert_allclose(score / unit, heights, atol=1e-5)
    assert float(score.sel(y=4.0, x=2.0)) == pytest.approx(26 * unit, rel=1e-5)
    turned = make_map(array.values[..., ::-1], AXIS[::-1], np.arange(6.0), np.arange(5.0))
    xr.testing.assert_identical(
        band_score(turned, [HEIGHT])["score"].drop_attrs(),
        band_score(array, [HEIGHT])["score"].drop_attrs(),
    )


def test_a_lazy_map_gives_the_same_scores_and_stays_lazy():
    da = pytest.importorskip("dask.array")
    values = noisy(spectrum=band(1100)).astype(np.float32)
    values[1, 2, 50] = np.nan
    lazy = band_score(make_map(da.from_array(values, chunks=(2, 3, -1)), AXIS), BOTH)
    assert lazy["score"].chunks is not None
    xr.testing.assert_identical(lazy.compute(), band_score(make_map(values, AXIS), BOTH))


STEPS = {
    "no step": lambda a: a,
    "smoothing": lambda a: smooth(a, window=9, order=2),
    "a first derivative": lambda a: smooth(a, window=11, order=3, derivative=1),
    "smoothing twice": lambda a: smooth(smooth(a, window=7, order=2), window=5, order=2),
    "crop and smoothing": lambda a: smooth(crop(a, 940, 2900), window=9, order=2),
}


@pytest.mark.parametrize("step", STEPS)
def test_the_standard_error_is_the_scatter_of_white_noise(step):
    axis = np.arange(900.0, 3300.0, 4.0)
    noise = NOISE * np.random.default_rng(0).standard_normal((40, 60, axis.size))
    array = STEPS[step](make_map(noise + 0.1, axis))
    scores = band_score(array, BOTH)
    scatter = scores["score"].std(("y", "x"))
    stated = np.sqrt((scores["standard_error"] ** 2).mean(("y", "x")))
    np.testing.assert_allclose(stated, scatter, rtol=0.05)


def test_pixels_that_are_not_valid_have_no_score():
    values = noisy()
    values[2, 3, 10] = np.nan
    array = make_map(values, AXIS)
    scores = band_score(array, BOTH)
    assert scores["score"].isnull().sum(("y", "x")).values.tolist() == [1, 1]
    assert scores["standard_error"].isnull().sum(("y", "x")).values.tolist() == [1, 1]
    assert not scores["valid"].values[2, 3]
    assert scores["flag"].values[2, 3] == 1


def test_scores_say_what_they_were_made_from():
    array = correct_baseline(make_map(noisy(), AXIS, technique="atr"), "polynomial")
    scores = band_score(array, BOTH)
    assert scores.attrs["technique"] == "atr"
    steps = [step["step"] for step in history(scores)]
    assert steps == ["correct_baseline", "score"]
    assert history(scores)[-1]["markers"] == ["area", "height"]
    assert "units" not in scores["score"].attrs


def test_a_window_that_leaves_the_axis_is_refused():
    with pytest.raises(MarkerError, match="'acetate C=O 1735' cannot be measured"):
        band_score(make_map(noisy(), AXIS), ["acetate C=O 1735"])


GEL = band(1092, 20) + 0.4 * band(1330, 10)
PAINT = 0.3 * band(1160, 40) + 0.2 * band(1250, 15)


def paint_map(seed, loading=0.0, offset=0.0):
    rng = np.random.default_rng(seed)
    strength = 1 + 0.05 * rng.standard_normal((8, 8, 1))
    return make_map(noisy((8, 8), seed, strength * PAINT + loading * GEL + offset), AXIS)


def test_the_net_signal_finds_a_known_loading():
    """0.02 of the reference on a paint that varies by 5 % of itself and on another offset."""
    blanks = [paint_map(seed) for seed in range(4)]
    scores = net_signal_score(
        paint_map(99, loading=0.02, offset=0.1), make_points(GEL, AXIS), blanks
    )
    clean = net_signal_score(paint_map(98), make_points(GEL, AXIS), blanks)
    found = float(scores["score"].mean() - clean["score"].mean())
    error = np.sqrt(float((scores["standard_error"] ** 2).mean()) * 2 / 64)
    assert found == pytest.approx(0.02, abs=4 * error)
    assert 4 * error < 0.004
    assert scores["marker"].values.tolist() == ["net signal"]
    assert scores["unit"].values.tolist() == ["reference"]


def test_the_net_signal_of_one_blank_map_alone():
    scores = net_signal_score(paint_map(5, loading=0.1), make_points(GEL, AXIS), paint_map(4))
    clean = net_signal_score(paint_map(6), make_points(GEL, AXIS), paint_map(4))
    assert float(scores["score"].mean() - clean["score"].mean()) == pytest.approx(0.1, rel=0.05)


def test_the_net_signal_asks_for_one_axis_and_for_both_materials():
    gel, blank = make_points(GEL, AXIS), paint_map(0)
    with pytest.raises(ContractError, match="one wavenumber axis"):
        net_signal_score(crop(blank, 900, 1400), gel, [blank])
    with pytest.raises(ContractError, match="wavenumber axis of 126 points"):
        net_signal_score(blank, crop(gel, 900, 1400), [blank])
    with pytest.raises(ContractError, match="no references"):
        net_signal_score(blank, [], [blank])


def test_the_mean_spectrum_is_of_the_valid_pixels_alone():
    values = noisy()
    values[0, 0] = np.nan
    array = make_map(values, AXIS)
    assert valid_spectra(array).shape == (29, AXIS.size)
    expected = values.reshape(30, -1)[1:].mean(axis=0)
    np.testing.assert_allclose(mean_spectrum(array), expected, atol=1e-8)
    assert mean_spectrum(array).dtype == np.float64
    with pytest.raises(ContractError, match="no valid pixel"):
        mean_spectrum(make_map(np.full_like(values, np.nan), AXIS))


def test_two_axes_are_one_within_a_hundredth_of_a_wavenumber():
    same_axis(AXIS, AXIS + 0.009)
    with pytest.raises(ContractError, match="nothing is interpolated in silence"):
        same_axis(AXIS, AXIS + 0.011)
