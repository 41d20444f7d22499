"""The contract of the labelled array: every rule with its words, and what it keeps right."""

from __future__ import annotations

import json
import pickle

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

import residuekit as rk
from residuekit import schema
from residuekit.errors import ContractError
from residuekit.schema import FLAGS, check, make_map, make_points, with_step

AXIS = np.array([1000.0, 1002.0, 1004.0, 1010.0])
VALUES = np.arange(24, dtype=float).reshape(2, 3, 4) / 100


def small_map():
    return make_map(VALUES, AXIS, [0.0, 10.0, 20.0], [5.0, 15.0], technique="atr")


def unit(dim, words):
    def spoil(array):
        array[dim].attrs["units"] = words
        return array

    return spoil


def attribute(name, value):
    def spoil(array):
        array.attrs[name] = value
        return array

    return spoil


RULES = {
    "a numpy array": (lambda a: a.values, "found a ndarray", "make_map"),
    "dims renamed": (lambda a: a.rename(wavenumber="nu"), "found dims ('y', 'x', 'nu')", "rename"),
    "pixels stacked": (
        lambda a: a.stack(pixel=("y", "x")), "found dims ('wavenumber', 'pixel')",
        "transpose('y', 'x', 'wavenumber')",
    ),
    "no wavenumbers": (lambda a: a.drop_vars("wavenumber"), "no coordinate 'wavenumber'",
                       "assign_coords(wavenumber=...)"),
    "no places": (lambda a: a.drop_vars("x"), "no coordinate 'x'", "assign_coords(x=...)"),
    "wavenumber in um": (unit("wavenumber", "um"), "wavenumber with units 'um'", "'cm-1'"),
    "wavenumber in 1/cm": (unit("wavenumber", "1/cm"), "units '1/cm'", "'cm-1'"),
    "place in mm": (unit("x", "mm"), "x with units 'mm'", "units 'um' or 'pixel'"),
    "wavenumbers as float32": (
        lambda a: a.assign_coords(wavenumber=a["wavenumber"].astype("float32")),
        "wavenumber as float32", "astype('float64')",
    ),
    "shuffled": (lambda a: a.isel(wavenumber=[1, 0, 2, 3]),
                 "wavenumber that is not strictly ascending", "sortby('wavenumber')"),
    "one wavenumber twice": (lambda a: a.isel(wavenumber=[0, 1, 1, 2]), "not strictly ascending",
                             "remove what stands twice"),
    "a wavenumber missing": (
        lambda a: a.assign_coords(wavenumber=("wavenumber", [1000.0, np.nan, 1004.0, 1010.0],
                                              {"units": "cm-1"})),
        "not strictly ascending", "finite",
    ),
    "one y twice": (lambda a: a.isel(y=[0, 0]), "y that is not strictly ascending", "sortby('y')"),
    "no channel": (lambda a: a.isel(wavenumber=slice(0, 0)), "an empty wavenumber", "holds data"),
    "unknown quantity": (lambda a: a.rename("absorbence"), "the quantity 'absorbence'",
                         "did you mean 'absorbance'?"),
    "no quantity": (lambda a: a.rename(None), "the quantity None", "absorbance"),
    "whole numbers": (lambda a: a.astype(int), "values as int64", "astype('float32')"),
    "percent": (attribute("units", "%"), "units '%'", "percent divided by 100"),
    "unknown technique": (attribute("technique", "art"), "technique 'art'",
                          "did you mean 'atr'?"),
    "source not JSON": (attribute("source", "a file"), "attribute source is 'a file'",
                        "JSON text of a dict"),
    "history no list": (attribute("history", "{}"), "attribute history is '{}'",
                        "JSON text of a list"),
    "history of another type": (attribute("history", 3), "attribute history is 3", "'[]'"),
}  # fmt: skip


@pytest.mark.parametrize("rule", RULES)
def test_a_broken_rule_is_named_with_its_mend(rule):
    spoil, found, fix = RULES[rule]
    with pytest.raises(ContractError) as caught:
        check(spoil(small_map()))
    assert found in str(caught.value)
    assert fix in str(caught.value)


def test_every_broken_rule_is_told_at_once():
    array = small_map().rename("absorbence")
    array.attrs |= {"units": "%", "technique": "art"}
    array["x"].attrs["units"] = "mm"
    with pytest.raises(ContractError) as caught:
        check(array)
    assert len(caught.value.faults) == 4


@pytest.mark.parametrize(
    ("quantity", "fix"),
    [("transmittance", "residuekit.to_absorbance(array) first"), ("reflectance", "absorbance")],
)
def test_a_caller_may_ask_for_one_quantity(quantity, fix):
    array = make_points([0.5, 0.6, 0.7, 0.6], AXIS, quantity=quantity)
    assert check(array, quantity=quantity) is array
    with pytest.raises(ContractError, match=fix.replace("(", r"\(").replace(")", r"\)")):
        check(array, quantity="absorbance")


@pytest.mark.parametrize(
    ("make", "found"),
    [
        (lambda: make_map(VALUES[0], AXIS), r"values of shape \(3, 4\)"),
        (lambda: make_points(VALUES, AXIS), r"values of shape \(2, 3, 4\)"),
        (lambda: make_map(VALUES, AXIS[:3]), r"wavenumber of shape \(3,\)"),
        (lambda: make_map(VALUES, AXIS, x=[0, 1], y=[0, 1]), r"x of shape \(2,\)"),
        (lambda: make_points(VALUES[0], AXIS, ["a"]), r"spectrum of shape \(1,\)"),
        (lambda: make_map(VALUES, [1000, 1004, 1002, 1006]), "wavenumber that is not strictly"),
        (lambda: make_map(VALUES, AXIS, technique="ATR"), "technique 'ATR'"),
    ],
)
def test_numbers_that_do_not_fit_are_refused(make, found):
    with pytest.raises(ContractError, match=found):
        make()


def test_a_map_keeps_what_it_was_given():
    array = small_map()
    assert array.dims == ("y", "x", "wavenumber")
    assert (array.name, array.dtype, array.attrs["units"]) == ("absorbance", np.float32, "1")
    assert [array[dim].attrs["units"] for dim in array.dims] == ["um", "um", "cm-1"]
    assert check(array) is array
    pixels = make_map(VALUES, AXIS)
    assert pixels["y"].attrs["units"] == "pixel"
    assert pixels["x"].values.tolist() == [0, 1, 2]


SHAPES = st.tuples(st.integers(1, 4), st.integers(1, 4), st.integers(2, 6))
SPECTRA = SHAPES.flatmap(
    lambda shape: hnp.arrays(np.float32, shape, elements=st.sampled_from([0.0, 0.5, 1.5, np.nan]))
)


@settings(max_examples=50, deadline=None)
@given(SPECTRA)
def test_a_descending_axis_is_the_ascending_one_turned_round(values):
    axis = 1000.0 + 3.0 * np.arange(values.shape[-1])
    ascending = make_map(values, axis)
    descending = make_map(values[..., ::-1], axis[::-1])
    xr.testing.assert_identical(ascending, descending)
    assert (np.diff(descending["wavenumber"].values) > 0).all()


@settings(max_examples=50, deadline=None)
@given(SPECTRA)
def test_missing_values_are_flagged_and_nothing_else(values):
    array = make_map(values, 1000.0 + np.arange(values.shape[-1]))
    missing = np.isnan(values).any(axis=-1)
    np.testing.assert_array_equal(array["valid"].values, ~missing)
    np.testing.assert_array_equal(array["flag"].values, missing * FLAGS["missing"][0])
    assert array["flag"].attrs["flag_meanings"].split() == list(FLAGS)


@settings(max_examples=50, deadline=None)
@given(SPECTRA, st.data())
def test_a_step_keeps_valid_and_flag_right(values, data):
    """A pixel put out for another reason stays out; one that lacked values alone comes back."""
    array = make_map(values, 1000.0 + np.arange(values.shape[-1]))
    out = data.draw(hnp.arrays(bool, values.shape[:2]))
    noisy = np.uint16(FLAGS["noisy"][0])
    array = array.assign_coords(
        valid=(("y", "x"), array["valid"].values & ~out),
        flag=(("y", "x"), array["flag"].values | out * noisy, array["flag"].attrs),
    )
    new = data.draw(hnp.arrays(np.float32, values.shape,
                               elements=st.sampled_from([0.0, 1.0, np.nan])))  # fmt: skip
    stepped = with_step(array, new, "smooth", {"window": 9})
    missing = np.isnan(new).any(axis=-1)
    np.testing.assert_array_equal(stepped["valid"].values, ~missing & ~out)
    np.testing.assert_array_equal(
        stepped["flag"].values, out * noisy | missing * np.uint16(FLAGS["missing"][0])
    )
    assert check(stepped) is stepped


@settings(max_examples=50, deadline=None)
@given(SPECTRA, st.permutations(["y", "x", "wavenumber"]), st.sets(st.sampled_from("yxw")))
def test_the_order_of_dims_and_the_direction_of_axes_say_nothing(values, order, turned):
    array = make_map(values, 1000.0 + np.arange(values.shape[-1]))
    flips = {dim: slice(None, None, -1) for dim in array.dims if dim[0] in turned}
    other = check(array.isel(flips).transpose(*order))
    xr.testing.assert_identical(other, array)
    assert schema.history(other) == []


@settings(max_examples=50, deadline=None)
@given(SPECTRA, st.sampled_from(["y", "x"]), st.data())
def test_a_row_or_column_of_a_map_is_points_that_know_their_place(values, dim, data):
    array = make_map(values, 1000.0 + np.arange(values.shape[-1]), *(
        5.5 * np.arange(size) for size in (values.shape[1], values.shape[0])
    ))  # fmt: skip
    place = data.draw(st.integers(0, array.sizes[dim] - 1))
    row = check(array.isel({dim: place}))
    assert row.dims == ("spectrum", "wavenumber")
    np.testing.assert_array_equal(row.values, array.isel({dim: place}).values)
    assert row["x"].dims == row["y"].dims == ("spectrum",)
    np.testing.assert_array_equal(row["valid"], array["valid"].isel({dim: place}))
    assert row[dim].values.tolist() == [array[dim].values[place]] * row.sizes["spectrum"]
    assert row["x"].attrs["units"] == "um"
    assert schema.history(row) == []
    one = check(row.isel(spectrum=0))
    assert one.sizes["spectrum"] == 1
    assert one["flag"].values.tolist() == row["flag"].values[:1].tolist()


@settings(max_examples=50, deadline=None)
@given(SPECTRA, st.sampled_from([("y", "x"), ("x",), ("y",)]))
def test_a_mean_over_pixels_is_spectra_and_stands_in_the_history(values, over):
    array = make_map(values, 1000.0 + np.arange(values.shape[-1]))
    mean = check(array.mean(over, skipna=False))
    wanted = np.mean(values, axis=tuple("yx".index(dim) for dim in over), dtype=np.float64)
    assert mean.dims == ("spectrum", "wavenumber")
    np.testing.assert_allclose(mean.values, wanted.reshape(mean.shape), rtol=1e-6)
    np.testing.assert_array_equal(mean["valid"], np.isfinite(mean.values).all(axis=-1))
    assert schema.history(mean) == [{"step": "changed outside"}]


@settings(max_examples=50, deadline=None)
@given(SPECTRA, st.data())
def test_selected_points_joined_are_points(values, data):
    points = make_points(values.reshape(-1, values.shape[-1]), np.arange(values.shape[-1]) + 1e3)
    n = points.sizes["spectrum"]
    kept = data.draw(st.lists(st.integers(0, n - 1), unique=True, min_size=1).map(sorted))
    some = check(points.isel(spectrum=kept))
    assert schema.history(some) == []
    np.testing.assert_array_equal(some["spectrum"], kept)
    joined = check(xr.concat([points, some], "spectrum"))
    np.testing.assert_array_equal(joined["valid"], [*points["valid"].values, *some["valid"].values])
    assert schema.history(joined) == [{"step": "changed outside"}]


CHANGES = {
    "a factor": lambda a: a * 2,
    "a difference": lambda a: a - a.isel(y=0, x=0, drop=True),
    "masked": lambda a: a.where(a > 0.1),
    "filled": lambda a: a.fillna(0.0),
    "a function": lambda a: np.sqrt(a),
    "new numbers": lambda a: a.copy(data=a.values + 1),
    "a mean": lambda a: a.mean(("y", "x")),
    "on another axis": lambda a: a.interp(wavenumber=[1000.0, 1003.0]),
    "lazily": lambda a: a.chunk({"y": 1}) + 1,
}


@pytest.mark.parametrize("change", CHANGES)
def test_numbers_changed_outside_are_said_to_be_so_once(change):
    done = [{"step": "smooth", "window": 9}]
    array = with_step(small_map(), VALUES, "smooth", {"window": 9})
    changed = check(CHANGES[change](array))
    assert schema.history(changed) == [*done, {"step": "changed outside"}]
    assert check(changed) is changed
    assert schema.history(check(changed + 1)) == [*done, {"step": "changed outside"}]
    assert schema.history(array) == done


def test_numbers_written_over_in_place_are_noticed():
    array = small_map()
    array.values[0, 1, 2] = np.nan
    changed = check(array)
    assert schema.history(changed) == [{"step": "changed outside"}]
    assert changed["valid"].values.tolist() == [[True, False, True], [True, True, True]]


UNCHANGED = {
    "a copy": lambda a: a.copy(),
    "a part": lambda a: a.isel(x=[0, 2]).sel(wavenumber=slice(1002, 1010)),
    "chunks": lambda a: a.chunk({"y": 1}),
    "another name of a place": lambda a: a.assign_coords(panel="A"),
    "through a process": lambda a: pickle.loads(pickle.dumps(a)),
    "computed": lambda a: a.chunk({"y": 1}).compute(),
    "in a dataset": lambda a: a.to_dataset()["absorbance"],
}


@pytest.mark.parametrize("change", UNCHANGED)
def test_a_selection_or_a_copy_is_no_change(change):
    array = with_step(small_map(), VALUES, "smooth", {"window": 9})
    assert schema.history(check(UNCHANGED[change](array))) == schema.history(array)


def test_the_mark_of_unchanged_numbers_reaches_no_file(tmp_path):
    """What xarray writes and opens itself says nothing of a change, and neither does our own."""
    array = small_map()
    array.to_netcdf(tmp_path / "theirs.nc", engine="h5netcdf")
    with xr.open_dataarray(tmp_path / "theirs.nc", engine="h5netcdf") as opened:
        assert set(opened.attrs) == set(array.attrs)
        assert "residuekit" not in opened.encoding
        assert schema.history(check(opened)) == []
        assert schema.history(check(opened * 2)) == [{"step": "changed outside"}]
    back = rk.read(rk.write(array * 2, tmp_path / "ours.nc"))
    assert schema.history(back) == [{"step": "changed outside"}]
    assert schema.history(rk.crop(rk.read(rk.write(array, tmp_path / "a.nc")), 1000, 1004))[0][
        "step"
    ] == "crop"  # fmt: skip


def test_a_pixel_filled_outside_is_valid_again_only_if_nothing_else_was_wrong():
    values = VALUES.copy()
    values[0, 0, 0] = values[1, 1, 1] = np.nan
    array = make_map(values, AXIS)
    noisy = np.uint16(FLAGS["noisy"][0])
    array["flag"].values[1, 1] |= noisy
    filled = check(array.fillna(0.0))
    assert filled["valid"].values.tolist() == [[True, True, True], [True, False, True]]
    assert filled["flag"].values[1, 1] == noisy


def test_every_step_is_in_the_history_and_the_first_array_is_as_it_was():
    first = small_map()
    parameters = {"low": 1000, "high": 1004.5, "method": "zwölf µ", "ends": [1, None], "on": True}
    second = with_step(first, first.values[..., :3], "crop", parameters, wavenumber=AXIS[:3])
    third = with_step(second, second.values * 2, "double", {}, quantity="kubelka_munk")
    assert schema.history(first) == []
    assert schema.history(third) == [{"step": "crop", **parameters}, {"step": "double"}]
    assert json.loads(third.attrs["history"]) == schema.history(third)
    assert third.name == "kubelka_munk"
    assert third["wavenumber"].attrs["units"] == "cm-1"
    assert third["x"].attrs["units"] == "um"
    np.testing.assert_array_equal(first.values, VALUES.astype(np.float32))


def test_a_step_does_not_carry_stale_attributes():
    array = small_map()
    array.attrs["units"] = "percent"
    assert with_step(array, array.values, "mend", {}).attrs["units"] == "1"


def test_the_source_comes_back():
    what = {"file": "é.nc", "sha256": "00", "scans": 64, "parts": [1, 2]}
    assert schema.source(make_points(VALUES[0], AXIS, source=what)) == what


def test_lazy_arrays_pass_without_being_computed():
    da = pytest.importorskip("dask.array")

    def computed(_block):
        raise AssertionError("computed")

    lazy = da.zeros((2, 3, 4), chunks=(1, 3, 4)).map_blocks(
        computed, dtype=float, meta=np.empty((0, 0, 0))
    )
    array = check(make_map(lazy, AXIS[::-1]))
    stepped = with_step(array, array.data, "nothing", {})
    assert array.chunks is not None
    assert stepped.chunks is not None
    assert stepped["valid"].chunks is not None
    assert array.dtype == np.float32


def test_a_lazy_map_equals_the_one_in_memory():
    da = pytest.importorskip("dask.array")
    values = VALUES.copy()
    values[0, 1, 2] = np.nan
    lazy = make_map(da.from_array(values, chunks=(1, 2, 4)), AXIS)
    xr.testing.assert_identical(lazy.compute(), make_map(values, AXIS))


def test_flags_are_bits_of_their_own_that_fit_and_are_said_in_words():
    bits = [bit for bit, _ in FLAGS.values()]
    assert bits == [2**k for k in range(len(bits))]
    assert max(bits) < 2**16
    assert schema.flag_words(0) == ""
    assert schema.flag_words(1 | 8) == f"{FLAGS['missing'][1]}; {FLAGS['noisy'][1]}"


def test_the_columns_agree_with_each_other():
    assert schema.VERDICT_COLUMNS[:6] == schema.MOCKUP_COLUMNS[:6] == schema.ARM_COLUMNS[:6]
    for columns in (schema.VERDICT_COLUMNS, schema.MOCKUP_COLUMNS):
        assert {*schema.ARM_COLUMNS, "residue"} == {*schema.JUDGED_COLUMNS} <= {*columns}
    assert set(schema.ARM_COLUMNS) <= set(schema.MEASUREMENT_COLUMNS)
    for cells in schema.NEEDED_CELLS.values():
        assert set(cells) <= set(schema.MEASUREMENT_COLUMNS)
    assert tuple(schema.NEEDED_CELLS) == schema.ROLES
