"""Preprocessing steps: values, flags, history; each spectrum alone; one error for bad input."""

import subprocess
import sys
import tomllib

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

import residuekit as rk
from residuekit import schema
from residuekit.errors import ContractError, ProcedureError
from residuekit.kernels import baselines, normalise, smooth
from residuekit.spectra.by_block import ROWS_AT_ONCE
from residuekit.spectra.parameters import (
    METHODS,
    RULES,
    STEPS,
    complete_parameters,
    parameter_faults,
)

AXIS = np.linspace(1000.0, 1800.0, 201)
PARAMETERS = {
    "two-point": {"left": [1040, 1050], "right": [1140, 1150]},
    "internal standard": {"low": 1040, "high": 1140},
    "crop": {"low": 1010, "high": 1700},
    "resample": {"spacing": 8},
    "subtract_vapour": {"file": "vapour.csv"},
    "correct_scatter": {"blanks": ["blank.csv"]},
}
EVERY_STEP = [
    *((name, PARAMETERS.get(name, {})) for name in ("crop", "to_absorbance", "smooth")),
    *(
        (step, {"method": method, **PARAMETERS.get(method, {})})
        for step, methods in METHODS.items()
        for method in methods
    ),
]
each_step = pytest.mark.parametrize(
    ("step", "parameters"), EVERY_STEP, ids=[f"{s} {p.get('method', '')}" for s, p in EVERY_STEP]
)


def values(seed: int = 1) -> np.ndarray:
    rng = np.random.default_rng(seed)
    band = np.exp(-(((AXIS - 1090) / 20) ** 2))
    slope = rng.uniform(0.1, 0.4, (3, 4, 1)) * (1 + np.sin(AXIS / 500))
    return slope + rng.uniform(0.2, 0.8, (3, 4, 1)) * band + rng.normal(0, 0.001, (3, 4, 201))


def absorbance(seed: int = 1) -> xr.DataArray:
    return schema.make_map(values(seed), AXIS)


def transmittance() -> xr.DataArray:
    return schema.make_map(10 ** -values(), AXIS, quantity="transmittance")


@each_step
def test_a_step_returns_float32_that_keeps_the_contract_and_the_place(step, parameters):
    array = absorbance()
    result = STEPS[step](array, **parameters)
    assert schema.check(result).dtype == np.float32
    assert result.dims == array.dims
    xr.testing.assert_identical(result["x"], array["x"])
    assert result["valid"].all()
    xr.testing.assert_identical(array, absorbance())


@each_step
def test_every_parameter_with_its_default_is_in_the_history(step, parameters):
    entry = schema.history(STEPS[step](absorbance(), **parameters))[-1]
    assert entry["step"] == step
    for name, value in parameters.items():
        assert entry[name] == value
    again = {name: value for name, value in entry.items() if name != "step"}
    known = complete_parameters(step, parameters)
    assert again == known
    assert set(known) == set(complete_parameters(step, again))
    xr.testing.assert_identical(
        STEPS[step](absorbance(), **again), STEPS[step](absorbance(), **parameters)
    )


@each_step
def test_a_missing_value_loses_its_pixel_and_no_other(step, parameters):
    spoilt = values()
    spoilt[1, 2, 30] = np.nan
    whole = STEPS[step](absorbance(), **parameters)
    result = STEPS[step](schema.make_map(spoilt, AXIS), **parameters)
    other = np.ones((3, 4), dtype=bool)
    other[1, 2] = False
    np.testing.assert_array_equal(result["valid"], other)
    np.testing.assert_array_equal(result["flag"], np.where(other, 0, 1))
    np.testing.assert_allclose(result.values[other], whole.values[other], rtol=1e-6, atol=1e-7)


@each_step
def test_the_direction_of_the_file_does_not_matter(step, parameters):
    turned = schema.make_map(values()[..., ::-1], AXIS[::-1])
    xr.testing.assert_identical(
        STEPS[step](turned, **parameters), STEPS[step](absorbance(), **parameters)
    )


@each_step
@settings(max_examples=5, deadline=None)
@given(order=st.permutations(range(12)))
def test_the_order_of_the_pixels_does_not_matter(step, parameters, order):
    points = values().reshape(12, -1)
    straight = STEPS[step](schema.make_points(points, AXIS), **parameters)
    shuffled = STEPS[step](schema.make_points(points[list(order)], AXIS), **parameters)
    np.testing.assert_allclose(shuffled.values, straight.values[list(order)], rtol=1e-6, atol=1e-7)


@each_step
def test_lazy_arrays_stay_lazy_and_give_the_same_numbers(step, parameters):
    lazy = absorbance().chunk({"y": 2, "x": 2, "wavenumber": 50})
    result = STEPS[step](lazy, **parameters)
    assert result.chunks is not None
    expected = STEPS[step](absorbance(), **parameters)
    xr.testing.assert_allclose(result.compute(), expected, rtol=1e-6, atol=1e-7)
    assert result.attrs == expected.attrs


@pytest.mark.parametrize("step", STEPS)
def test_an_array_without_labels_is_refused(step):
    with pytest.raises(ContractError, match="labelled"):
        STEPS[step](values(), **PARAMETERS.get(step, {}))


def test_more_spectra_than_one_block_are_all_corrected():
    n = ROWS_AT_ONCE + 3
    many = np.tile(values().reshape(12, -1), (n // 12 + 1, 1))[:n]
    result = rk.correct_baseline(schema.make_points(many, AXIS), "rubber band")
    np.testing.assert_array_equal(result.values[12:], result.values[:-12])


# crop


@settings(max_examples=30, deadline=None)
@given(low=st.floats(900, 1500), width=st.floats(10, 600))
def test_crop_keeps_the_channels_inside_and_cropping_twice_is_cropping_once(low, width):
    high = low + width
    if high < AXIS[0]:
        return
    once = rk.crop(absorbance(), low, high)
    inside = (low <= AXIS) & (high >= AXIS)
    np.testing.assert_array_equal(once["wavenumber"], AXIS[inside])
    np.testing.assert_array_equal(once.values, absorbance().values[..., inside])
    twice = rk.crop(once, low, high)
    np.testing.assert_array_equal(twice.values, once.values)
    np.testing.assert_array_equal(twice["wavenumber"], once["wavenumber"])


def test_crop_makes_a_spectrum_valid_whose_missing_values_it_cuts_off():
    spoilt = values()
    spoilt[0, 0, -1] = np.nan
    result = rk.crop(schema.make_map(spoilt, AXIS), 1000, 1500)
    assert result["valid"].all()
    assert not result["flag"].any()


def test_crop_beside_the_axis_names_the_axis():
    with pytest.raises(ProcedureError, match="1000 to 1800 cm-1"):
        rk.crop(absorbance(), 2000, 3000)


# to_absorbance


def test_absorbance_is_minus_log10_of_transmittance():
    result = rk.to_absorbance(transmittance())
    assert result.name == "absorbance"
    np.testing.assert_allclose(result, values(), atol=1e-6)
    one = schema.make_points([[1.0, 0.1, 0.001]], [1.0, 2.0, 3.0], quantity="transmittance")
    np.testing.assert_allclose(rk.to_absorbance(one), [[0, 1, 3]], atol=1e-6)


def saturated_pair() -> tuple[xr.DataArray, xr.DataArray]:
    spectra = np.full((3, 4), 0.5)
    spectra[0, 1], spectra[1, 2] = 0.001, np.nan
    axis = [1000.0, 1001.0, 1002.0, 1003.0]
    return (
        schema.make_points(spectra, axis, quantity="transmittance"),
        schema.make_points(-np.log10(spectra), axis),
    )


@pytest.mark.parametrize("array", saturated_pair(), ids=["transmittance", "absorbance"])
def test_values_at_the_stray_level_are_missing_and_flagged_in_either_quantity(array):
    result = rk.to_absorbance(array, stray_level=0.002)
    saturated, missing = schema.FLAGS["saturated"][0], schema.FLAGS["missing"][0]
    np.testing.assert_array_equal(result["flag"], [saturated | missing, missing, 0])
    np.testing.assert_array_equal(result["valid"], [False, False, True])
    assert np.isnan(result.values[0, 1])
    np.testing.assert_allclose(result.values[0, [0, 2, 3]], -np.log10(0.5), rtol=1e-6)


def test_no_light_at_all_is_saturated_and_warns_nobody():
    dark = schema.make_points([[0.5, 0.0], [0.5, -0.1]], [1000.0, 1001.0], quantity="transmittance")
    result = rk.to_absorbance(dark)
    assert (result["flag"] & schema.FLAGS["saturated"][0] > 0).all()


def test_absorbance_stays_as_it_is_and_the_step_is_recorded():
    result = rk.to_absorbance(absorbance())
    np.testing.assert_array_equal(result, absorbance())
    assert schema.history(result) == [{"step": "to_absorbance", "stray_level": 0.0}]


def test_reflectance_is_not_turned_into_absorbance():
    with pytest.raises(ContractError, match="'reflectance'"):
        rk.to_absorbance(schema.make_map(values(), AXIS, quantity="reflectance"))


# correct_baseline, normalise, smooth: the kernels, wired to the right names


@pytest.mark.parametrize(
    ("method", "parameters", "find"),
    [
        ("arpls", {"smoothness": 1e3}, lambda b: baselines.arpls(b, smoothness=1e3)),
        ("asymmetric least squares", {"asymmetry": 0.05},
         lambda b: baselines.asymmetric_least_squares(b, asymmetry=0.05)),
        ("rubber band", {}, lambda b: baselines.rubber_band(b, AXIS)),
        ("polynomial", {"order": 3}, lambda b: baselines.polynomial(b, AXIS, order=3)),
        ("iterated polynomial", {"order": 4},
         lambda b: baselines.iterated_polynomial(b, AXIS, order=4)),
        ("two-point", PARAMETERS["two-point"],
         lambda b: baselines.two_point(b, AXIS, left=(1040, 1050), right=(1140, 1150))),
    ],
)  # fmt: skip
def test_each_baseline_method_is_its_kernel(method, parameters, find):
    block = absorbance().values.reshape(12, -1).astype(float)
    result = rk.correct_baseline(absorbance(), method, **parameters)
    np.testing.assert_allclose(result.values.reshape(12, -1), block - find(block), atol=1e-7)


@pytest.mark.parametrize(
    ("method", "parameters", "divide"),
    [
        ("vector", {}, normalise.vector),
        ("snv", {}, normalise.snv),
        ("area", {}, normalise.area),
        ("internal standard", {"low": 1040, "high": 1140, "measure": "height"},
         lambda b, x: normalise.internal_standard(b, x, low=1040, high=1140, measure="height")),
    ],
)  # fmt: skip
def test_each_normalisation_is_its_kernel(method, parameters, divide):
    block = absorbance().values.reshape(12, -1).astype(float)
    result = rk.normalise(absorbance(), method, **parameters)
    expected, _ = divide(block, AXIS)
    np.testing.assert_allclose(result.values.reshape(12, -1), expected, rtol=1e-6)


def test_a_dead_pixel_cannot_be_normalised_even_after_a_baseline():
    dead = values()
    dead[2, 3] = 0.3
    for method in METHODS["correct_baseline"]:
        flat = rk.correct_baseline(
            schema.make_map(dead, AXIS), method, **PARAMETERS.get(method, {})
        )
        result = rk.normalise(flat, "snv")
        assert np.isnan(result.values[2, 3]).all()
        assert int((~result["valid"]).sum()) == 1


def test_smoothing_uses_the_real_spacing():
    result = rk.smooth(absorbance(), 11, 3, derivative=1)
    expected = smooth.savitzky_golay(
        absorbance().values.reshape(12, -1), 4.0, window=11, order=3, derivative=1
    )
    np.testing.assert_allclose(result.values.reshape(12, -1), expected, atol=1e-8)


@pytest.mark.parametrize("lazy", [False, True])
@pytest.mark.parametrize(
    ("step", "parameters", "words"),
    [
        ("smooth", {"window": 203}, "203, order 2, derivative 0 for 201 channels"),
        ("correct_baseline", {"method": "two-point", "left": [900, 910], "right": [1140, 1150]},
         "no channel in left"),
        ("normalise", {"method": "area", "low": 900}, "an interval within the axis"),
    ],
)  # fmt: skip
def test_what_the_axis_cannot_serve_is_said_at_once(step, parameters, words, lazy):
    array = absorbance().chunk({"y": 1}) if lazy else absorbance()
    with pytest.raises(ProcedureError, match=words):
        STEPS[step](array, **parameters)


def test_an_uneven_axis_cannot_be_smoothed():
    uneven = schema.make_points(np.ones((1, 20)), np.geomspace(1000, 2000, 20))
    with pytest.raises(ProcedureError, match="an even axis"):
        rk.smooth(uneven)


# parameters


def test_every_parameter_of_every_step_has_a_rule_and_its_default_and_example_keep_it():
    used = set()
    for step, parameters in [*EVERY_STEP, *((step, PARAMETERS.get(step, {})) for step in STEPS)]:
        complete = complete_parameters(step, parameters)
        used |= set(complete) - {"method"}
    assert used == set(RULES)
    for rule in RULES.values():
        assert rule.fits(tomllib.loads(f"value = {rule.example}")["value"])


@pytest.mark.parametrize(
    ("step", "given", "found", "fix"),
    [
        ("smoth", {}, "a step 'smoth'", "'smooth'"),
        ("correct_baseline", {"method": "arpsl"}, "method = 'arpsl'", "'arpls'"),
        ("correct_baseline", {"method": ["arpls"]}, "method = ['arpls']", "'arpls'"),
        ("correct_baseline", {"smothness": 1e5}, "'smothness'", "'smoothness'"),
        ("correct_baseline", {"method": "rubber band", "order": 2}, "'order'", "method"),
        ("correct_baseline", {"smoothness": 0}, "smoothness = 0", "1e6"),
        ("correct_baseline", {"smoothness": float("nan")}, "smoothness = nan", "1e6"),
        ("correct_baseline", {"method": "asymmetric least squares", "asymmetry": 1},
         "asymmetry = 1", "0.01"),
        ("correct_baseline", {"max_iterations": 2.5}, "max_iterations = 2.5", "50"),
        ("correct_baseline", {"tolerance": True}, "tolerance = True", "1e-3"),
        ("correct_baseline", {"method": "two-point", "left": [1, 2]}, "without right", "right = ["),
        ("correct_baseline", {"method": "two-point", "left": [2, 1], "right": [3, 4]},
         "left = [2, 1]", "left = [1690, 1700]"),
        ("crop", {"low": 1000}, "crop without high", "high = 1000"),
        ("crop", {"low": 2000, "high": 1000}, "low = 2000 and high = 1000", "low = 1000"),
        ("crop", {"low": "1000", "high": 2000}, "low = '1000'", "low = 1000"),
        ("to_absorbance", {"stray_level": 1}, "stray_level = 1", "0.001"),
        ("smooth", {"window": 8}, "window = 8", "window = 9"),
        ("smooth", {"window": 3, "order": 3}, "order = 3", "window = 9"),
        ("smooth", {"order": 0, "derivative": 1}, "derivative = 1", "derivative = 0"),
        ("normalise", {"method": "internal standard", "low": 1, "high": 2, "measure": "heigth"},
         "measure = 'heigth'", "'height'"),
    ],
)  # fmt: skip
def test_a_wrong_step_is_one_fault_that_says_what_to_type(step, given, found, fix):
    (fault,) = parameter_faults(step, given)
    assert found in fault.found
    assert fix in fault.fix
    if step in STEPS and not {"low", "left"} & set(given):
        with pytest.raises(ProcedureError):
            STEPS[step](absorbance(), **given)


def test_all_faults_of_a_step_come_at_once():
    assert (
        len(parameter_faults("correct_baseline", {"smoothness": -1, "tolerance": 0, "x": 1})) == 3
    )


def test_numpy_numbers_and_tuples_land_in_the_history_as_plain_ones():
    result = rk.crop(absorbance(), np.float32(1100), np.int64(1200))
    entry = schema.history(result)[0]
    assert entry == {"step": "crop", "low": 1100.0, "high": 1200}
    two_point = {"left": (1040, 1050), "right": np.array([1140.0, 1150.0])}
    entry = schema.history(rk.correct_baseline(absorbance(), "two-point", **two_point))[0]
    assert entry["left"] == [1040, 1050]
    assert entry["right"] == [1140.0, 1150.0]


def test_the_import_loads_neither_dask_nor_scipy_signal():
    code = (
        "import sys, residuekit.spectra.procedure;"
        "print([m for m in ('dask', 'scipy.signal', 'numba', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
