"""Band scores as linear functionals: exactness, linearity, known areas, noise and its error."""

import numpy as np
import pytest
import scipy.sparse
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.signal import savgol_coeffs

from residuekit.kernels.bands import (
    apply_weights,
    area_weights,
    height_weights,
    noise_of_second_differences,
    standard_error,
    window_anchors,
)

FEW = settings(max_examples=60, deadline=None)
WINDOW = (1050.0, 1140.0)
ANCHORS = ((1040.0, 1055.0), (1135.0, 1150.0))

axes = st.builds(
    lambda step, start, jitter: start + step * (np.arange(150) + jitter * np.sin(np.arange(150))),
    st.floats(1.5, 4.0),
    st.floats(960.0, 1000.0),
    st.floats(0.0, 0.4),
)
anchor_choices = st.sampled_from([None, ANCHORS])


def gaussian(axis, position, width, area=1.0):
    """A band of that area; `width` is its standard deviation (cm-1)."""
    return area / (width * np.sqrt(2 * np.pi)) * np.exp(-0.5 * ((axis - position) / width) ** 2)


@FEW
@given(axes, anchor_choices, st.floats(-2, 2), st.floats(-0.01, 0.01))
def test_a_straight_line_has_no_area_and_no_height(axis, anchors, offset, slope):
    line = offset + slope * axis
    scale = (np.abs(line).max() + np.abs(slope * axis).max()) * (WINDOW[1] - WINDOW[0]) + 1e-300
    assert abs(area_weights(axis, *WINDOW, anchors) @ line) <= 1e-12 * scale
    height = height_weights(axis, 1092.0, anchors or window_anchors(axis, *WINDOW))
    assert abs(height @ line) <= 1e-12 * scale


@FEW
@given(axes, st.integers(0, 2**32 - 1), st.floats(-3, 3), st.floats(-3, 3))
def test_scores_are_linear_in_the_spectrum(axis, seed, a, b):
    first, second = np.random.default_rng(seed).normal(size=(2, axis.size))
    weights = area_weights(axis, *WINDOW)
    together = apply_weights(a * first + b * second, weights)
    apart = a * apply_weights(first, weights) + b * apply_weights(second, weights)
    np.testing.assert_allclose(together, apart, rtol=0, atol=1e-9)


@FEW
@given(axes, anchor_choices, st.integers(0, 2**32 - 1))
def test_a_mirrored_axis_gives_the_same_area(axis, anchors, seed):
    spectrum = np.random.default_rng(seed).normal(size=axis.size)
    low, high = WINDOW
    mirrored = None if anchors is None else tuple((-b, -a) for a, b in anchors[::-1])
    there = area_weights(axis, low, high, anchors) @ spectrum
    back = area_weights(-axis[::-1], -high, -low, mirrored) @ spectrum[::-1]
    assert there == pytest.approx(back, abs=1e-9)


@FEW
@given(axes, st.floats(8.0, 20.0), st.floats(-10.0, 10.0))
def test_the_area_of_a_gaussian_less_what_the_line_cuts_off(axis, width, shift):
    """Against the integral over the window minus the line, by adaptive quadrature."""
    position = 1095.0 + shift
    spectrum = gaussian(axis, position, width)
    anchors = window_anchors(axis, *WINDOW)
    points = []
    for low, high in anchors:
        inside = (axis >= low) & (axis <= high)
        points.append((axis[inside].mean(), spectrum[inside].mean()))
    (x1, y1), (x2, y2) = points
    true, _ = quad(
        lambda x: gaussian(x, position, width) - (y1 + (y2 - y1) * (x - x1) / (x2 - x1)), *WINDOW
    )
    assert area_weights(axis, *WINDOW) @ spectrum == pytest.approx(true, abs=0.01)


def test_a_narrow_gaussian_inside_the_window_gives_its_whole_area():
    axis = np.arange(900.0, 1300.0, 2.0)
    area = area_weights(axis, *WINDOW) @ (gaussian(axis, 1093.3, 8.0, area=2.5) + 0.3 - 1e-4 * axis)
    assert area == pytest.approx(2.5, rel=0.01)


def test_the_limits_are_interpolated_to_the_exact_wavenumber():
    """The area under the chords of y = x^2 on 0, 1, 2, 3, from 0.5 to 2.5, by hand."""
    axis = np.arange(8.0)
    anchored = ((6.0, 6.0), (7.0, 7.0))
    spectrum = np.where(axis < 5, axis**2, 0.0)
    by_hand = (0.5 + 1) / 2 * 0.5 + (1 + 4) / 2 + (4 + 6.5) / 2 * 0.5
    assert area_weights(axis, 0.5, 2.5, anchored) @ spectrum == pytest.approx(by_hand, rel=1e-12)


def test_a_height_is_read_between_the_channels_above_the_line():
    axis = np.array([1000.0, 1004.0, 1008.0, 1012.0, 1016.0])
    spectrum = np.array([1.0, 2.0, 6.0, 4.0, 3.0])
    weights = height_weights(axis, 1009.0, ((1000.0, 1001.0), (1016.0, 1017.0)))
    assert weights @ spectrum == pytest.approx(5.5 - (1.0 + 2.0 * 9 / 16), rel=1e-12)


def test_the_line_stands_on_the_three_channels_nearest_each_end():
    axis = np.arange(1000.0, 1200.0, 4.0)
    assert window_anchors(axis, 1048.0, 1141.0) == ((1044.0, 1052.0), (1136.0, 1144.0))
    assert window_anchors(axis, 1000.0, 1141.0)[0] == (1000.0, 1008.0)


@pytest.mark.parametrize(
    ("axis", "low", "high", "anchors", "words"),
    [
        (np.arange(1000.0, 1100.0), 1050.0, 1140.0, None, "leaves the axis"),
        (np.arange(1200.0, 1000.0, -1.0), 1050.0, 1140.0, None, "ascending"),
        (np.full(50, np.nan), 1050.0, 1140.0, None, "ascending"),
        (np.arange(1000.0, 1200.0), 1140.0, 1050.0, None, "leaves the axis"),
        (np.arange(1000.0, 1200.0), 1050.0, 1050.0, None, "no width"),
        (np.arange(1000.0, 1200.0), 1050.0, 1140.0, ((900.0, 950.0), (1140.0, 1150.0)), "channel"),
        (np.arange(1000.0, 1200.0), 1050.0, 1140.0, ((1050.0, 1100.0), (1090.0, 1140.0)), "lap"),
        (np.arange(1000.0, 1200.0), 1050.0, 1140.0, ((1140.0, 1150.0), (1040.0, 1050.0)), "order"),
        (np.arange(1000.0, 1200.0, 20.0), 1081.0, 1099.0, None, "overlap"),
        (np.array([1000.0, 1100.0, 1200.0]), 1050.0, 1140.0, None, "3 channels"),
    ],
)
def test_what_cannot_be_measured_is_refused(axis, low, high, anchors, words):
    with pytest.raises(ValueError, match=words):
        area_weights(axis, low, high, anchors)


def test_scores_of_a_map_are_the_plain_matrix_product():
    axis = np.arange(900.0, 1900.0, 4.0)
    weights = np.stack([area_weights(axis, *WINDOW), area_weights(axis, 1710.0, 1765.0)])
    cube = np.random.default_rng(3).normal(size=(70, 80, axis.size)).astype(np.float32)
    scores = apply_weights(cube, weights)
    assert scores.shape == (70, 80, 2)
    assert scores.dtype == np.float64
    np.testing.assert_allclose(scores, cube.astype(float) @ weights.T, rtol=0, atol=1e-10)
    np.testing.assert_array_equal(apply_weights(cube[11:12, 3:5], weights), scores[11:12, 3:5])


def test_nan_spreads_only_to_the_scores_that_read_it():
    axis = np.arange(900.0, 1900.0, 4.0)
    weights = np.stack([area_weights(axis, *WINDOW), area_weights(axis, 1710.0, 1765.0)])
    spectra = np.ones((3, axis.size))
    spectra[1, np.searchsorted(axis, 1092.0)] = np.nan
    spectra[2, 0] = np.nan
    np.testing.assert_array_equal(
        np.isnan(apply_weights(spectra, weights)), [[False, False], [True, False], [False, False]]
    )
    np.testing.assert_array_equal(
        np.isnan(noise_of_second_differences(spectra)), [False, True, True]
    )


def test_weights_for_another_axis_are_refused():
    with pytest.raises(ValueError, match="5 channels, spectra of 4"):
        apply_weights(np.ones((2, 4)), np.ones(5))


def test_the_noise_of_white_noise_is_unbiased():
    noise = np.random.default_rng(5).normal(0, 0.002, (300, 800))
    estimates = noise_of_second_differences(noise.reshape(20, 15, 800))
    assert estimates.shape == (20, 15)
    assert estimates.mean() == pytest.approx(0.002, rel=0.03)
    assert estimates.std() < 0.08 * 0.002


@FEW
@given(st.integers(0, 2**32 - 1), st.integers(3, 40))
def test_the_noise_of_a_spectrum_does_not_depend_on_its_neighbours(seed, channels):
    spectra = np.random.default_rng(seed).normal(size=(6, channels))
    alone = [noise_of_second_differences(row) for row in spectra]
    np.testing.assert_array_equal(noise_of_second_differences(spectra), alone)


@pytest.mark.parametrize("spacing", [2.0, 4.0])
def test_three_broad_bands_hardly_move_the_noise(spacing):
    axis = 1000 + spacing * np.arange(800)
    bands = sum(
        np.exp(-4 * np.log(2) * ((axis - axis[place]) / 20) ** 2) for place in (200, 400, 600)
    )
    spectra = bands + np.random.default_rng(7).normal(0, 0.002, (300, 800))
    assert noise_of_second_differences(spectra).mean() == pytest.approx(0.002, rel=0.05)


@pytest.mark.parametrize("points", [5, 9, 13])
def test_the_noise_before_a_known_smoothing_is_found(points):
    kernel = savgol_coeffs(points, 2)
    noise = np.random.default_rng(9).normal(0, 0.002, (300, 800 + points - 1))
    smooth = np.stack([np.convolve(row, kernel, mode="valid") for row in noise])
    assert noise_of_second_differences(smooth, kernel).mean() == pytest.approx(0.002, rel=0.03)


def test_a_noiseless_spectrum_has_no_noise_and_two_channels_are_refused():
    assert noise_of_second_differences(np.zeros(10)) == 0
    with pytest.raises(ValueError, match="at least 3"):
        noise_of_second_differences(np.zeros(2))


def test_the_standard_error_is_the_scatter_of_the_scores():
    axis = np.arange(900.0, 1300.0, 4.0)
    weights = np.stack(
        [area_weights(axis, *WINDOW), height_weights(axis, 1092.0, window_anchors(axis, *WINDOW))]
    )
    noise = np.random.default_rng(11).normal(0, 0.01, (20_000, axis.size))
    expected = standard_error(0.01, weights)
    np.testing.assert_allclose(apply_weights(noise, weights).std(axis=0), expected, rtol=0.03)
    kernel = savgol_coeffs(7, 2)
    smoothing = scipy.sparse.diags_array(
        [np.full(axis.size, value) for value in kernel],
        offsets=range(-3, 4), shape=(axis.size, axis.size),
    )  # fmt: skip
    smoothed = (smoothing @ noise.T).T
    expected = standard_error(0.01, weights, smoothing)
    np.testing.assert_allclose(apply_weights(smoothed, weights).std(axis=0), expected, rtol=0.03)
    np.testing.assert_allclose(standard_error(0.01, weights, smoothing.toarray()), expected)


def test_standard_errors_of_a_map_have_a_row_a_pixel():
    weights = area_weights(np.arange(1000.0, 1200.0), *WINDOW)
    errors = standard_error(np.array([[0.001, 0.002]]), weights)
    assert errors.shape == (1, 2, 1)
    assert errors[0, 1, 0] == pytest.approx(2 * errors[0, 0, 0])
