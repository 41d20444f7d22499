"""Baselines: exact on what they must reproduce, faithful to their definition, each row alone."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit

from residuekit.errors import ProcedureError
from residuekit.kernels import baselines

AXIS = np.linspace(800.0, 2000.0, 121)
LEFT, RIGHT = (850.0, 880.0), (1900.0, 1950.0)
FUNCTIONS = {
    "asymmetric least squares": baselines.asymmetric_least_squares,
    "arpls": baselines.arpls,
    "rubber band": lambda block: baselines.rubber_band(block, AXIS),
    "polynomial": lambda block: baselines.polynomial(block, AXIS, order=2),
    "iterated polynomial": lambda block: baselines.iterated_polynomial(block, AXIS),
    "two-point": lambda block: baselines.two_point(block, AXIS, left=LEFT, right=RIGHT),
}
PENALISED = {
    "asymmetric least squares": baselines.asymmetric_least_squares,
    "arpls": baselines.arpls,
}
each_function = pytest.mark.parametrize("find", FUNCTIONS.values(), ids=FUNCTIONS)
each_penalised = pytest.mark.parametrize("find", PENALISED.values(), ids=PENALISED)


def spectra(n: int = 4, noise: float = 0.002, seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    slope = rng.uniform(0.05, 0.3, (n, 1)) * (1 + np.sin(AXIS / 700))
    bands = rng.uniform(0.1, 0.6, (n, 1)) * np.exp(-(((AXIS - 1090) / 25) ** 2))
    bands = bands + rng.uniform(0.1, 0.6, (n, 1)) * np.exp(-(((AXIS - 1735) / 15) ** 2))
    return slope + bands + rng.normal(0, noise, (n, AXIS.size))


@each_function
def test_a_spectrum_with_nan_or_infinity_has_no_baseline_and_changes_no_other(find):
    block = spectra()
    alone = find(block)
    spoilt = np.vstack([block, block[:2]])
    spoilt[4, 7], spoilt[5, 0] = np.nan, np.inf
    result = find(spoilt)
    np.testing.assert_allclose(result[:4], alone, rtol=0, atol=1e-14)
    assert np.isnan(result[4:]).all()


@each_function
def test_a_flat_spectrum_is_its_own_baseline_to_the_last_digit(find):
    flat = np.repeat([[0.0], [0.1], [-3.7]], AXIS.size, axis=1)
    np.testing.assert_array_equal(find(np.vstack([flat, spectra(1)]))[:3], flat)


@each_function
def test_a_straight_line_is_its_own_baseline(find):
    line = (0.2 + 1e-4 * AXIS)[None, :]
    np.testing.assert_allclose(find(line), line, atol=1e-7)


@each_function
def test_the_baseline_is_float64_and_the_input_is_left_alone(find):
    block = spectra().astype(np.float32)
    before = block.copy()
    assert find(block).dtype == np.float64
    np.testing.assert_array_equal(block, before)


@each_function
def test_an_empty_block_and_a_block_of_nan_alone_pass(find):
    assert find(np.empty((0, AXIS.size))).shape == (0, AXIS.size)
    assert np.isnan(find(np.full((2, AXIS.size), np.nan))).all()


@each_function
@settings(max_examples=10, deadline=None)
@given(exponent=st.integers(-12, 12), seed=st.integers(0, 50))
def test_a_scaled_spectrum_has_the_scaled_baseline(find, exponent, seed):
    block, scale = spectra(2, seed=seed), 2.0**exponent
    np.testing.assert_allclose(find(scale * block), scale * find(block), rtol=1e-12)


@each_function
@settings(max_examples=10, deadline=None)
@given(order=st.permutations(range(5)))
def test_the_order_of_the_spectra_does_not_matter(find, order):
    block = spectra(5)
    np.testing.assert_allclose(find(block[list(order)]), find(block)[list(order)], atol=1e-14)


@each_penalised
def test_the_direction_of_the_axis_does_not_matter_to_a_penalised_fit(find):
    block = spectra()
    turned = find(block[:, ::-1], smoothness=1e4)[:, ::-1]
    np.testing.assert_allclose(turned, find(block, smoothness=1e4), rtol=1e-6)


def dense_fit(y: np.ndarray, weights: np.ndarray, smoothness: float) -> np.ndarray:
    """Solve (W + smoothness D'D) z = W y as it stands in the papers, with full matrices."""
    second_difference = np.diff(np.eye(y.size), n=2, axis=0)
    system = np.diag(weights) + smoothness * second_difference.T @ second_difference
    return np.linalg.solve(system, weights * y)


def test_asymmetric_least_squares_is_the_dense_solution_of_the_paper():
    y = spectra(1)[0]
    weights = np.ones_like(y)
    for _ in range(50):
        z = dense_fit(y, weights, 1e5)
        new = np.where(y > z, 0.02, 0.98)
        if np.array_equal(new, weights):
            break
        weights = new
    found = baselines.asymmetric_least_squares(y[None], smoothness=1e5, asymmetry=0.02)
    np.testing.assert_allclose(found[0], z, rtol=1e-8)


def test_arpls_is_the_dense_solution_of_the_paper():
    y = spectra(1)[0]
    weights = np.ones_like(y)
    while True:
        z = dense_fit(y, weights, 1e4)
        d = y - z
        m, s = d[d < 0].mean(), d[d < 0].std(ddof=1)
        new = expit(-2 * (d - (2 * s - m)) / s)
        if np.linalg.norm(weights - new) / np.linalg.norm(weights) < 1e-3:
            break
        weights = new
    np.testing.assert_allclose(baselines.arpls(y[None], smoothness=1e4)[0], z, rtol=1e-8)


@each_penalised
def test_the_first_fit_has_equal_weights_and_a_single_iteration_stops_there(find):
    y = spectra(1)[0]
    found = find(y[None], smoothness=1e3, max_iterations=1)[0]
    np.testing.assert_allclose(found, dense_fit(y, np.ones_like(y), 1e3), rtol=1e-9)


@each_penalised
def test_halving_the_spacing_needs_sixteen_times_the_smoothness(find):
    fine = np.linspace(AXIS[0], AXIS[-1], 2 * AXIS.size - 1)
    y = np.exp(-(((fine - 1400) / 60) ** 2)) + 0.3 * np.sin(fine / 500)
    coarse = find(y[None, ::2], smoothness=1e4)[0]
    same = find(y[None], smoothness=16e4)[0, ::2]
    unscaled = find(y[None], smoothness=1e4)[0, ::2]
    assert np.abs(same - coarse).max() < 0.1 * np.abs(unscaled - coarse).max()


@each_penalised
def test_a_known_baseline_is_found_and_the_band_survives(find):
    truth = 0.2 + 0.1 * np.sin(AXIS / 600)
    band = 0.05 * np.exp(-(((AXIS - 1090) / 20) ** 2))
    y = truth + band + np.random.default_rng(3).normal(0, 2e-4, AXIS.size)
    left = (y - find(y[None], smoothness=1e3)[0])[np.argmax(band)]
    assert left == pytest.approx(0.05, rel=0.05)


@each_penalised
def test_two_channels_are_too_few_for_a_smooth_baseline(find):
    with pytest.raises(ProcedureError, match="3 channels or more"):
        find(np.ones((1, 2)))


def test_a_system_beyond_double_precision_is_refused():
    with pytest.raises(ProcedureError, match="smaller smoothness"):
        baselines.asymmetric_least_squares(spectra(1), smoothness=1e20)


def plain_lower_hull(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Andrew's monotone chain, one spectrum at a time."""
    chain: list[int] = []
    for i in range(x.size):
        while len(chain) > 1:
            a, b = chain[-2], chain[-1]
            if (y[b] - y[a]) * (x[i] - x[a]) < (y[i] - y[a]) * (x[b] - x[a]):
                break
            chain.pop()
        chain.append(i)
    return np.interp(x, x[chain], y[chain])


@settings(max_examples=50, deadline=None)
@given(
    values=st.lists(st.lists(st.integers(-20, 20), min_size=7, max_size=7), min_size=1, max_size=4),
    steps=st.lists(st.integers(1, 5), min_size=7, max_size=7),
)
def test_the_rubber_band_is_the_lower_hull_on_any_axis_with_ties(values, steps):
    x, block = np.cumsum(steps).astype(float), np.array(values, dtype=float)
    expected = [plain_lower_hull(x, row) for row in block]
    np.testing.assert_allclose(baselines.rubber_band(block, x), expected, atol=1e-12)


def test_the_rubber_band_never_rises_above_the_spectrum_and_is_convex():
    block = spectra(20)
    band = baselines.rubber_band(block, AXIS)
    assert (band <= block + 1e-12).all()
    assert (np.diff(band, n=2, axis=1) >= -1e-12).all()
    np.testing.assert_array_equal(band[:, [0, -1]], block[:, [0, -1]])


def test_the_rubber_band_of_one_or_two_channels_is_the_spectrum():
    for n in (1, 2):
        block = np.arange(2.0 * n).reshape(2, n) ** 2
        np.testing.assert_array_equal(baselines.rubber_band(block, AXIS[:n]), block)


@pytest.mark.parametrize("order", [0, 1, 2, 3, 8])
def test_the_polynomial_is_that_of_least_squares(order):
    y = spectra(1)[0]
    fit = np.polynomial.Polynomial.fit(AXIS, y, order)(AXIS)
    np.testing.assert_allclose(baselines.polynomial(y[None], AXIS, order=order)[0], fit, rtol=1e-10)


def test_the_iterated_polynomial_finds_a_polynomial_under_bands():
    u = (AXIS - 1400) / 600
    truth = 0.3 + 0.1 * u - 0.05 * u**2
    y = truth + 0.5 * np.exp(-(((AXIS - 1090) / 20) ** 2))
    found = baselines.iterated_polynomial(y[None], AXIS, order=2, tolerance=1e-6)
    plain = baselines.polynomial(y[None], AXIS, order=2)
    assert np.abs(found - truth).mean() < 0.01
    assert np.abs(plain - truth).mean() > 2 * np.abs(found - truth).mean()


def test_the_rounds_of_an_iterated_polynomial_are_counted():
    y = spectra(1)[0]
    fit = y
    for _ in range(4):
        y = np.minimum(y, fit)
        fit = np.polynomial.Polynomial.fit(AXIS, y, 3)(AXIS)
    found = baselines.iterated_polynomial(
        spectra(1), AXIS, order=3, tolerance=1e-12, max_iterations=3
    )
    np.testing.assert_allclose(found[0], fit, rtol=1e-9)


@pytest.mark.parametrize("find", [baselines.polynomial, baselines.iterated_polynomial])
def test_a_polynomial_needs_more_channels_than_its_order(find):
    with pytest.raises(ProcedureError, match="more channels than the order"):
        find(np.ones((1, 4)), AXIS[:4], order=4)


def test_the_two_point_line_goes_through_both_means():
    y = spectra(3)
    line = baselines.two_point(y, AXIS, left=LEFT, right=RIGHT)
    for interval in (LEFT, RIGHT):
        inside = np.clip(AXIS, *interval) == AXIS
        middle = [np.interp(AXIS[inside].mean(), AXIS, row) for row in line]
        np.testing.assert_allclose(middle, y[:, inside].mean(axis=1), rtol=1e-12)
    np.testing.assert_allclose(np.diff(line, n=2, axis=1), 0, atol=1e-12)


@pytest.mark.parametrize(
    ("left", "right", "words"),
    [((10, 20), RIGHT, "no channel in left"), (LEFT, (851, 852), "no channel in right"),
     (LEFT, LEFT, "same place")],
)  # fmt: skip
def test_two_point_intervals_that_the_axis_cannot_serve_are_refused(left, right, words):
    with pytest.raises(ProcedureError, match=words):
        baselines.two_point(spectra(1), AXIS, left=left, right=right)
