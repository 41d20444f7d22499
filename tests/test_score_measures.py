"""Centroids, ratios, second-derivative heights, and bands that must occur together."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.signal import savgol_coeffs

import residuekit as rk
from residuekit.decision.band_measures import band_centroid, band_ratio, bands_together
from residuekit.errors import ContractError, MarkerError, StudyError
from residuekit.kernels.bands import common_amount, moment_weights, parabola_weights, quotient
from residuekit.markers import Marker, marker_weights, resolve

AXIS = np.arange(900.0, 1900.0, 4.0)
BANDS = (
    {"name": "own 1092", "low": 1040, "high": 1144},
    {"name": "own 1330", "low": 1290, "high": 1370},
    {"name": "own 1735", "low": 1690, "high": 1780},
)
STANDARD = {"name": "own standard 1500", "low": 1460, "high": 1540}
NOISE = 1e-3


def gaussian(position, height, sd=10.0):
    return height * np.exp(-0.5 * ((AXIS - position) / sd) ** 2)


GEL = gaussian(1092, 1.0) + gaussian(1330, 0.4) + gaussian(1735, 0.25)
PAINT = 0.2 + 1e-4 * AXIS + gaussian(1500, 0.5) + gaussian(1735, 0.3)


def noisy(spectrum, count, seed, noise=NOISE):
    rng = np.random.default_rng(seed)
    return rk.make_points(spectrum + noise * rng.standard_normal((count, AXIS.size)), AXIS)


# the second derivative


def test_the_second_derivative_is_that_of_savitzky_and_golay():
    """Five-point weights of Savitzky & Golay 1964 (2, -1, -2, -1, 2)/7, by scipy.signal."""
    weights = parabola_weights(AXIS, 1084.0, 1100.0)
    used = np.flatnonzero(weights)
    second = savgol_coeffs(5, 2, deriv=2, delta=4.0)
    np.testing.assert_allclose(second * 16 * 7, [2, -1, -2, -1, 2], atol=1e-12)
    np.testing.assert_allclose(weights[used], -(16.0**2) / 8 * second, atol=1e-12)


@settings(max_examples=30, deadline=None)
@given(st.floats(-5, 5), st.floats(-0.01, 0.01), st.floats(-1e-4, 1e-4), st.floats(0.0, 0.4))
def test_the_second_derivative_of_a_parabola_is_exact_on_any_axis(offset, slope, bend, jitter):
    axis = np.arange(900.0, 1200.0, 4.0) + 4.0 * jitter * np.sin(np.arange(75))
    weights = parabola_weights(axis, 1050.0, 1110.0)
    spectrum = offset + slope * (axis - 1000) + bend * (axis - 1000) ** 2
    assert weights @ spectrum == pytest.approx(-(60.0**2) / 8 * 2 * bend, abs=1e-9)


BEND = {"name": "own 1092 bend", "low": 1080, "high": 1104, "measure": "second derivative"}


def test_a_second_derivative_is_scored_with_its_error():
    own = BEND
    scored = rk.band_score(noisy(GEL + PAINT, 400, 1), [own, "pva C-O 1092"])
    assert scored["unit"].values.tolist() == ["A", "A cm-1"]
    assert float(scored["score"][0].mean()) == pytest.approx(
        float(marker_weights(resolve([own]), AXIS)[0] @ GEL), rel=0.01
    )
    ratio = scored["score"].std("spectrum", ddof=1) / scored["standard_error"].mean("spectrum")
    np.testing.assert_allclose(ratio, 1.0, atol=0.12)


def test_a_study_may_use_a_second_derivative_and_no_centroid(study):
    own = ", ".join(f'{key} = "{v}"' if isinstance(v, str) else f"{key} = {v}"
                    for key, v in BEND.items())  # fmt: skip
    study.edit("use = [", f"use = [{{{own}}}, ")
    assert rk.Study.open(study.folder).manifest.markers[0] == Marker(**BEND)
    study.edit('"second derivative"', '"centroid"')
    with pytest.raises(StudyError, match="no linear functional"):
        rk.Study.open(study.folder)


@pytest.mark.parametrize("measure", ["centroid", "ratio"])
def test_a_measure_that_is_not_linear_is_refused_with_the_function_that_gives_it(measure):
    with pytest.raises(MarkerError) as caught:
        resolve([{"name": "own", "low": 1080, "high": 1104, "measure": measure}])
    told = str(caught.value)
    assert "no linear functional" in told
    assert "a verdict rests on a linear score" in told
    assert f"residuekit.band_{measure}" in told


def test_a_second_derivative_needs_no_line_and_four_channels():
    with pytest.raises(MarkerError, match="stands on no line"):
        Marker("own", 1080, 1104, measure="second derivative", anchors=((1070, 1074), (1110, 1114)))
    narrow = Marker("own", 1084, 1092, measure="second derivative")
    with pytest.raises(MarkerError, match="at least 4"):
        marker_weights([narrow], AXIS)


# centroid


@settings(max_examples=40, deadline=None)
@given(st.floats(1085, 1099), st.floats(-3, 3), st.floats(-0.01, 0.01))
def test_the_centroid_of_a_symmetric_band_is_its_position_on_any_line(position, offset, slope):
    line = offset + slope * (AXIS - 1000)
    found = band_centroid(rk.make_points(gaussian(position, 0.5, 6.0) + line, AXIS), BANDS[:1])
    assert float(found["score"][0, 0]) == pytest.approx(position, abs=0.05)


def test_the_moment_is_the_numerical_integral():
    weights = moment_weights(AXIS, 1041.0, 1143.0, ((1020.0, 1036.0), (1148.0, 1164.0)))
    fine = np.linspace(1041.0, 1143.0, 20_001)
    band = np.interp(fine, AXIS, gaussian(1100, 1.0, 6.0))
    true = np.trapezoid((fine - 1092.0) * band, fine)
    assert weights @ gaussian(1100, 1.0, 6.0) == pytest.approx(true, rel=5e-3)


def test_the_centroid_shifts_with_the_band_and_its_error_is_the_scatter():
    found = band_centroid(noisy(GEL, 600, 2), BANDS)
    assert found["unit"].values.tolist() == ["cm-1"] * 3
    np.testing.assert_allclose(found["score"].mean("spectrum"), [1092, 1330, 1735], atol=0.3)
    ratio = found["score"].std("spectrum", ddof=1) / found["standard_error"].mean("spectrum")
    np.testing.assert_allclose(ratio, 1.0, atol=0.1)


def test_where_there_is_no_band_there_is_no_centroid():
    found = band_centroid(noisy(0 * GEL, 300, 3), BANDS[:1])
    share = float(np.isfinite(found["score"]).mean())
    assert share < 0.02
    assert bool((np.isfinite(found["score"]) == np.isfinite(found["standard_error"])).all())


# ratio


def test_the_ratio_to_a_standard_cancels_the_thickness_and_its_error_is_the_scatter():
    thick = rk.make_points(np.outer([0.5, 1.0, 2.0], GEL + gaussian(1500, 0.5)), AXIS)
    found = band_ratio(thick, BANDS, STANDARD)
    assert found["unit"].values.tolist() == ["1"] * 3
    np.testing.assert_allclose(found["score"].T, np.tile([2.0, 0.8, 0.5], (3, 1)), rtol=0.02)
    many = band_ratio(noisy(GEL + gaussian(1500, 0.5), 600, 4), BANDS, STANDARD)
    ratio = many["score"].std("spectrum", ddof=1) / many["standard_error"].mean("spectrum")
    np.testing.assert_allclose(ratio, 1.0, atol=0.1)


def test_the_error_of_a_ratio_is_that_of_first_order_propagation():
    """Second opinion: Gauss's formula with the covariance of both scores written out."""
    u, v = np.array([[1.0, 0.5, 0.0]]), np.array([[0.0, 0.5, 1.0]])
    r, error = quotient([[3.0]], [[2.0]], [0.01], u, v)
    gradient = np.array([1 / 2.0, -3.0 / 4.0])
    both = np.vstack([u, v])
    covariance = 0.01**2 * both @ both.T
    assert float(error[0, 0]) == pytest.approx(float(np.sqrt(gradient @ covariance @ gradient)))
    assert float(r[0, 0]) == 1.5


def test_an_area_over_a_height_is_refused():
    height = {**STANDARD, "measure": "height", "position": 1500}
    with pytest.raises(MarkerError, match="both in one unit"):
        band_ratio(noisy(GEL, 2, 5), BANDS, height)


def test_smoothing_is_carried_through_to_centroid_and_ratio():
    smooth = noisy(GEL + gaussian(1500, 0.5), 600, 6).pipe(rk.smooth, window=7, order=2)
    for found in (band_centroid(smooth, BANDS), band_ratio(smooth, BANDS, STANDARD)):
        ratio = found["score"].std("spectrum", ddof=1) / found["standard_error"].mean("spectrum")
        np.testing.assert_allclose(ratio, 1.0, atol=0.1)


def test_lazy_arrays_give_the_same_numbers():
    eager = rk.make_map(noisy(GEL + PAINT, 12, 7).values.reshape(3, 4, -1), AXIS)
    lazy = eager.chunk({"y": 1})
    for one in (
        lambda a: band_centroid(a, BANDS),
        lambda a: band_ratio(a, BANDS, STANDARD),
        lambda a: bands_together(a, noisy(GEL, 1, 8), BANDS),
    ):
        for name, found in one(lazy).data_vars.items():
            np.testing.assert_array_equal(found.values, one(eager)[name].values)


# bands that must occur together


def test_the_gel_s_bands_occur_together_and_those_of_others_do_not():
    reference = noisy(300 * 0.002 * GEL, 1, 9, 2e-4)
    blanks = noisy(PAINT, 400, 10)
    gel = noisy(PAINT + 0.05 * GEL, 300, 11)
    one_band = noisy(PAINT + 0.05 * gaussian(1092, 1.0), 300, 12)
    other = noisy(PAINT + 0.05 * (GEL + gaussian(1735, 0.5)), 300, 13)
    found = bands_together(gel, reference, BANDS, blanks)
    assert float(found["together"].mean()) > 0.9
    assert float(found["amount"].mean()) == pytest.approx(0.05 / 0.6, rel=0.02)
    assert float(found["amount"].std(ddof=1)) == pytest.approx(
        float(found["standard_error"].mean()), rel=0.1
    )
    for stranger in (one_band, other, noisy(PAINT, 300, 14)):
        assert float(bands_together(stranger, reference, BANDS, blanks)["together"].mean()) < 0.02


def test_of_true_gel_the_ratio_is_refused_as_often_as_alpha_says():
    """5 % of 2000 spectra, within 2.7 standard errors; tolerance from noise or from blanks."""
    reference = noisy(GEL, 1, 15, 1e-5)
    gel = noisy(0.1 * GEL, 2000, 16)
    sets = {"noise": None, "blanks": noisy(0 * GEL, 4000, 17)}
    for name, blanks in sets.items():
        found = bands_together(gel, reference, BANDS, blanks)
        assert float((found["p_value"] < 0.05).mean()) == pytest.approx(0.05, abs=0.013), name


@pytest.mark.parametrize("replicates", [1, 6])
def test_six_blank_mockups_hold_alpha_for_a_difference_spectrum(replicates):
    """The mean of the exposed less that of six blanks: Hotelling's T^2 holds 5 % (2000 draws)."""
    rng = np.random.default_rng(18)
    r = np.array([3.0, 2.0, 1.0])
    root = np.array([[1.0, 0.0, 0.0], [0.5, 0.8, 0.0], [-0.3, 0.2, 0.6]])
    refused = 0
    for _ in range(2000):
        blanks = rng.standard_normal((6, 3)) @ root.T
        exposed = (5 * r + rng.standard_normal((replicates, 3)) @ root.T).mean(axis=0)
        covariance = np.cov(blanks, rowvar=False) * (1 / replicates + 1 / 6)
        found = common_amount(exposed - blanks.mean(axis=0), covariance, r, np.zeros((3, 3)),
                              degrees_of_freedom=5.0, alpha=0.05)  # fmt: skip
        refused += int(found.p_value < 0.05)
    assert refused / 2000 == pytest.approx(0.05, abs=0.013)


def test_the_misfit_of_an_estimated_covariance_is_hotelling_s():
    """Second opinion: T^2 of the one contrast of two bands is the square of Student's t."""
    rng = np.random.default_rng(19)
    blanks = rng.standard_normal((8, 2))
    scores, r = np.array([2.0, 3.0]), np.array([1.0, 2.0])
    covariance = np.cov(blanks, rowvar=False) * (1 + 1 / 8)
    found = common_amount(scores, covariance, r, np.zeros((2, 2)), degrees_of_freedom=7.0,
                          alpha=0.05)  # fmt: skip
    contrast = np.array([2.0, -1.0])
    t = contrast @ scores / np.sqrt(contrast @ covariance @ contrast)
    assert float(found.p_value) == pytest.approx(2 * stats.t.sf(abs(t), 7), rel=1e-9)


def test_a_noisy_reference_widens_the_tolerance():
    gel = noisy(0.5 * GEL, 200, 20)
    sharp, blunt = noisy(GEL, 1, 21, 1e-6), noisy(GEL, 1, 21, 0.02)
    refused = [
        float((bands_together(gel, one, BANDS)["p_value"] < 0.05).mean()) for one in (sharp, blunt)
    ]
    assert refused[0] < 0.1
    assert refused[1] < 0.1
    wide, narrow = (
        float(bands_together(gel, one, BANDS)["standard_error"].mean()) for one in (blunt, sharp)
    )
    assert wide > 5 * narrow


def test_pixels_that_are_not_valid_say_nothing():
    values = noisy(PAINT + 0.05 * GEL, 4, 22).values.reshape(2, 2, -1)
    values[0, 1, 10] = np.nan
    scored = bands_together(rk.make_map(values, AXIS), noisy(GEL, 1, 23), BANDS)
    assert not bool(scored["together"][0, 1])
    assert bool(scored["amount"].isnull()[0, 1])
    assert int(scored["amount"].notnull().sum()) == 3
    assert json.loads(scored.attrs["history"])[-1]["step"].startswith("bands together")


def test_what_cannot_be_held_together_is_refused():
    gel, reference = noisy(GEL, 2, 24), noisy(GEL, 1, 25)
    with pytest.raises(MarkerError, match="two bands or more"):
        bands_together(gel, reference, BANDS[:1])
    with pytest.raises(ContractError, match="whose band 'own standard 1500'"):
        bands_together(gel, rk.make_points(GEL - gaussian(1500, 0.1), AXIS), [*BANDS, STANDARD])
    with pytest.raises(ContractError, match="3 blank spectra for 3 bands"):
        bands_together(gel, reference, BANDS, noisy(PAINT, 3, 26))
    with pytest.raises(ContractError, match="wavenumber axis"):
        bands_together(gel, reference.isel(wavenumber=slice(1, None)), BANDS)
