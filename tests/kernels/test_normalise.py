"""Normalisation: what becomes one, what cannot be normalised, what the factor is."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ProcedureError
from residuekit.kernels import normalise

AXIS = np.linspace(1000.0, 1200.0, 101)
STANDARD = {"low": 1040.0, "high": 1140.0}
FUNCTIONS = {
    "vector": normalise.vector,
    "snv": normalise.snv,
    "area": normalise.area,
    "internal standard area": lambda b, x: normalise.internal_standard(b, x, **STANDARD),
    "internal standard height": lambda b, x: normalise.internal_standard(
        b, x, **STANDARD, measure="height"
    ),
}
each_function = pytest.mark.parametrize("divide", FUNCTIONS.values(), ids=FUNCTIONS)


def spectra(n: int = 4, seed: int = 2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    band = np.exp(-(((AXIS - 1090) / 15) ** 2))
    return 0.1 + rng.uniform(0.2, 2, (n, 1)) * band + rng.normal(0, 0.001, (n, AXIS.size))


@each_function
@settings(max_examples=20, deadline=None)
@given(scale=st.floats(1e-3, 1e3))
def test_the_amount_of_material_drops_out(divide, scale):
    block = spectra()
    rows, factors = divide(block, AXIS)
    scaled_rows, scaled_factors = divide(scale * block, AXIS)
    np.testing.assert_allclose(scaled_rows, rows, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(scaled_factors, scale * factors, rtol=1e-9)


@each_function
def test_normalising_twice_is_normalising_once(divide):
    once, _ = divide(spectra(), AXIS)
    twice, factors = divide(once, AXIS)
    np.testing.assert_allclose(twice, once, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(factors, 1, rtol=1e-9)


@each_function
def test_a_spectrum_with_nan_is_lost_and_changes_no_other(divide):
    block = spectra()
    expected, _ = divide(block, AXIS)
    spoilt = block.copy()
    spoilt[2, 50] = np.nan
    rows, factors = divide(spoilt, AXIS)
    assert np.isnan(rows[2]).all()
    assert np.isnan(factors[2])
    np.testing.assert_allclose(rows[[0, 1, 3]], expected[[0, 1, 3]], rtol=1e-12)


@each_function
def test_a_spectrum_of_noughts_cannot_be_normalised(divide):
    rows, factors = divide(np.zeros((1, AXIS.size)), AXIS)
    assert np.isnan(rows).all()
    assert np.isnan(factors).all()


@pytest.mark.parametrize("name", ["snv", "internal standard area", "internal standard height"])
def test_a_flat_spectrum_has_no_spread_and_no_band(name):
    rows, factors = FUNCTIONS[name](np.full((1, AXIS.size), 0.1), AXIS)
    assert np.isnan(rows).all()
    assert np.isnan(factors).all()


@pytest.mark.parametrize("name", ["area", "internal standard area", "internal standard height"])
def test_a_negative_area_or_band_is_not_turned_round(name):
    dip = -np.exp(-(((AXIS - 1090) / 15) ** 2))[None] - 0.1
    assert np.isnan(FUNCTIONS[name](dip, AXIS)[0]).all()


def test_each_norm_is_what_its_name_says():
    block = spectra()
    np.testing.assert_allclose(np.linalg.norm(normalise.vector(block, AXIS)[0], axis=1), 1)
    rows = normalise.snv(block, AXIS)[0]
    np.testing.assert_allclose(rows.mean(axis=1), 0, atol=1e-12)
    np.testing.assert_allclose(rows.std(axis=1, ddof=1), 1)
    np.testing.assert_allclose(np.trapezoid(normalise.area(block, AXIS)[0], AXIS), 1)


@pytest.mark.parametrize("divide", [normalise.vector, normalise.snv, normalise.area])
def test_the_factor_of_a_part_ignores_the_rest(divide):
    block, changed = spectra(), spectra()
    changed[:, AXIS > 1150] += 5
    rows, factors = divide(block, AXIS, low=1000, high=1150)
    changed_rows, changed_factors = divide(changed, AXIS, high=1150)
    np.testing.assert_array_equal(changed_factors, factors)
    np.testing.assert_array_equal(changed_rows[:, AXIS <= 1150], rows[:, AXIS <= 1150])


def test_the_internal_standard_is_the_known_area_and_height_of_its_band():
    band = 0.7 * np.exp(-(((AXIS - 1090) / 10) ** 2))
    block = (band + 0.3 - 0.001 * AXIS)[None]
    _, area = normalise.internal_standard(block, AXIS, low=1040, high=1140)
    _, height = normalise.internal_standard(block, AXIS, low=1040, high=1140, measure="height")
    assert area[0] == pytest.approx(0.7 * 10 * np.sqrt(np.pi), rel=1e-6)
    assert height[0] == pytest.approx(0.7, rel=1e-6)


@pytest.mark.parametrize(
    ("interval", "words"),
    [({"low": 900.0}, "within the axis"), ({"high": 1201.0}, "within the axis"),
     ({"low": 1150.0, "high": 1100.0}, "within the axis"),
     ({"low": 1100.5, "high": 1101.5}, "2 channels or more")],
)  # fmt: skip
@pytest.mark.parametrize("divide", [normalise.vector, normalise.snv, normalise.area])
def test_an_interval_that_the_axis_cannot_serve_is_refused(divide, interval, words):
    with pytest.raises(ProcedureError, match=words):
        divide(spectra(), AXIS, **interval)


def test_a_band_of_five_channels_has_no_local_line():
    with pytest.raises(ProcedureError, match="6 channels or more"):
        normalise.internal_standard(spectra(), AXIS, low=1080, high=1089)
